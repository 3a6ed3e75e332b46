// What frames stand in a block, as it was found beforehand: asked for stretch by stretch while the block is decoded.
import { distanceTo, pieceAt, type Spread } from '../bytes/spread.js';
import type { FrameRun } from './frame-scan.js';
import { RUN, RUN_NUMBERS, type ScanRoom } from './scan-room.js';

/** Frames stand in groups, and so many bytes of something else behind each; as in `EVENLY` where nothing is between them. */
export type FrameGroups = Pick<Spread, 'group' | 'skip'>;

export class FrameSurvey {
  /** Stretches that it answered for. */
  hits = 0;
  readonly #room: ScanRoom;
  readonly #runs: number;
  readonly #groups: FrameGroups;
  readonly #frame: FrameRun;
  /** The first run that may still be asked for. */
  #next = 0;

  /**
   * @param room with `runs` runs in it
   * @param groups in which frames were taken to stand
   * @param frame an empty run of them
   */
  constructor(room: ScanRoom, runs: number, groups: FrameGroups, frame: FrameRun) {
    this.#room = room;
    this.#runs = runs;
    this.#groups = groups;
    this.#frame = frame;
  }

  get hashes(): Uint32Array {
    return this.#room.hashes;
  }

  /**
   * Copies the runs of the frames that stand from the address `from` on, up to a gap or to `to`, and maybe some behind it.
   *
   * @param groups in which frames are taken to stand; what was found for others is of no use but within a group
   * @returns how many runs
   */
  runsFrom(from: number, to: number, { group, skip }: FrameGroups, into: ScanRoom): number {
    const isSame = group === this.#groups.group && skip === this.#groups.skip;
    // What waited for its rest lies elsewhere, and is asked for in between.
    const isElsewhere =
      this.#runs === 0 || from < this.#numberOf(0, RUN.address) || from >= this.#endOf(this.#runs - 1);
    if (isElsewhere || (skip > 0 && !isSame)) return 0;
    while (this.#next < this.#runs && this.#endOf(this.#next) <= from) this.#next++;
    let found = 0;
    // A stretch begins with a group.
    let due = 0;
    for (let at = from; at < to && this.#next + found < this.#runs && found < into.mostRuns; found++) {
      const run = this.#next + found;
      const frames = this.#spreadOf(run);
      const first = pieceAt(at, frames);
      const phase = (frames.phase + first) % frames.group;
      if (first < 0 || (isSame && phase !== due)) break;
      const rest = this.#numberOf(run, RUN.count) - first;
      const count = isSame ? rest : Math.min(rest, frames.group - phase);
      this.#copy(run, first, count, into, found);
      due = (phase + count) % frames.group;
      at = count < rest ? to : this.#endOf(run);
    }
    if (found > 0) this.hits++;
    return found;
  }

  /** Copies `count` frames of a run, from the one numbered `first` on. */
  #copy(run: number, first: number, count: number, into: ScanRoom, place: number): void {
    const { runs } = into;
    const at = place * RUN_NUMBERS;
    runs.set(this.#room.runs.subarray(run * RUN_NUMBERS, (run + 1) * RUN_NUMBERS), at);
    runs[at + RUN.hashAt]! += first;
    runs[at + RUN.counter]! += first;
    runs[at + RUN.key]! += first * this.#frame.step;
    if (first + count < runs[at + RUN.count]!) runs[at + RUN.lastBytes] = this.#frame.length;
    runs[at + RUN.count] = count;
  }

  #numberOf(run: number, number: number): number {
    return this.#room.runs[run * RUN_NUMBERS + number]!;
  }

  #spreadOf(run: number): Spread {
    const start = this.#numberOf(run, RUN.address);
    return { ...this.#groups, start, stride: this.#frame.stride, phase: this.#numberOf(run, RUN.phase) };
  }

  /** Where the frame behind a run is due. */
  #endOf(run: number): number {
    const frames = this.#spreadOf(run);
    return frames.start + distanceTo(this.#numberOf(run, RUN.count), frames);
  }
}
