// The main thread's side of a decoding thread: hands it a recording, or its blocks where they have to be unpacked, and keeps the
// segments it finds.
import { Worker } from 'node:worker_threads';
import { addGatherRooms } from '../bytes/gather-room.js';
import { RecordingError } from '../errors.js';
import { readRecording, type WasRead } from '../intake/read-recording.js';
import type { Block, PlainFiles, Recording } from '../intake/source.js';
import type { Mission } from '../mission/mission.js';
import type { Received } from '../segments/receive.js';
import { type Run, type SegmentRun, type SegmentStore, storeRun } from '../segments/run.js';
import {
  type Decoded,
  type Ended,
  type FromDecoder,
  LISTED_NUMBERS,
  type Places,
  RUN_NUMBERS,
  SLOT_BYTES,
  SLOTS,
  type ToDecoder,
} from './protocol.js';
import { SlotPool } from './slot-pool.js';

/** Where the compiled thread lies; sources that run without a build have none. */
export const threadFile: URL = new URL('../workers/decode-thread.js', import.meta.url);

/** A thread makes little that lasts: with more room it only sweeps later, and takes more memory the longer it runs. */
const YOUNG_MIB = 12;

/** One recording under way. */
type Work = {
  readonly store: SegmentStore;
  /** Segments kept so far. */
  kept: number;
  /** Of those not kept in lane 0: which they are, and their lane. */
  readonly lanes: Map<number, number>;
  /** Told of bytes read by the decoder. */
  readonly plain: PlainFiles | undefined;
  readonly finish: (result: Ended) => void;
  readonly fail: (error: unknown) => void;
};

export class Decoder {
  readonly #worker: Worker;
  readonly #ready: Promise<void>;
  #memory: Uint8Array = new Uint8Array(0);
  #slots: readonly Uint8Array[] = [];
  #lists: readonly Float64Array[] = [];
  /** For blocks read here. */
  readonly #pool = new SlotPool(SLOTS);
  #work: Work | undefined;
  #failure: unknown;
  readonly #run = {} as SegmentRun;

  constructor(mission: Mission) {
    this.#worker = new Worker(threadFile, {
      workerData: { mission },
      execArgv: [],
      resourceLimits: { maxYoungGenerationSizeMb: YOUNG_MIB },
    });
    this.#ready = new Promise((ready, fail) => {
      this.#worker.on('error', (error) => {
        fail(error);
        this.#fail(error);
      });
      this.#worker.on('message', (message: FromDecoder) => {
        if (message.kind === 'ready') {
          this.#share(message);
          ready();
        } else if (message.kind === 'decoded') this.#keep(message);
        else this.#work?.finish(message);
      });
    });
  }

  /**
   * Takes one recording through; one at a time.
   *
   * @throws what the store throws, and what is not a RecordingError
   */
  async receive(recording: Recording, store: SegmentStore): Promise<Received> {
    await this.#ready;
    const lanes = new Map<number, number>();
    const { plain } = recording;
    const finished = new Promise<Ended>((finish, fail) => {
      this.#work = { store, kept: 0, lanes, plain, finish, fail };
    });
    finished.catch(() => undefined);
    let read: WasRead | undefined;
    if (plain) this.#post({ kind: 'read', files: plain.files });
    else {
      read = await readRecording(recording, (block) => this.#hand(block));
      this.#post({ kind: 'end' });
    }
    const { taken, bytes, problem } = await finished;
    this.#work = undefined;
    read ??= {
      bytes,
      problem: problem && new RecordingError(problem.code, problem.file, problem.offset, problem.reason),
    };
    return { ...taken, recorder: { ...taken.recorder, runs: withLanes(taken.recorder.runs, lanes) }, ...read };
  }

  async close(): Promise<void> {
    await this.#worker.terminate();
  }

  #post(message: ToDecoder): void {
    this.#worker.postMessage(message);
  }

  #share({ memory, slots, lists, gatherAt }: Places): void {
    const { buffer } = memory;
    this.#memory = new Uint8Array(buffer);
    this.#slots = slots.map((at) => new Uint8Array(buffer, at, SLOT_BYTES));
    this.#lists = lists.map((at) => new Float64Array(buffer, at, LISTED_NUMBERS));
    addGatherRooms(memory, gatherAt);
  }

  async #hand({ bytes, at, gap }: Block): Promise<void> {
    for (let from = 0; from < bytes.length; from += SLOT_BYTES) {
      const piece = bytes.subarray(from, from + SLOT_BYTES);
      const slot = await this.#pool.take();
      this.#slots[slot]!.set(piece);
      this.#post({ kind: 'block', slot, length: piece.length, at: at + from, gap: from === 0 && gap === true });
    }
  }

  #keep({ slot, bytes, listed, list = this.#lists[slot]!, spill }: Decoded): void {
    const work = this.#work;
    if (work && this.#failure === undefined) {
      try {
        for (let at = 0; at < listed; at += RUN_NUMBERS + this.#run.count) {
          this.#readRun(list, at, spill);
          storeRun(this.#run, work.store, this.#note);
        }
      } catch (error) {
        this.#fail(error);
      }
    }
    if (slot < 0) return;
    if (work?.plain) {
      work.plain.onRead?.(bytes);
      this.#post({ kind: 'free', slot });
    } else this.#pool.give(slot);
  }

  #readRun(list: Float64Array, at: number, spill: Uint8Array): void {
    const run = this.#run;
    const place = list[at + 5]!;
    run.count = list[at]!;
    run.file = list[at + 1]!;
    run.segments = list[at + 2]!;
    run.key = list[at + 3]!;
    run.step = list[at + 4]!;
    run.bytes = place < 0 ? spill : this.#memory;
    run.start = place < 0 ? -1 - place : place;
    run.stride = list[at + 6]!;
    run.length = list[at + 7]!;
    run.lastLength = list[at + 8]!;
    run.group = list[at + 9]!;
    run.phase = list[at + 10]!;
    run.skip = list[at + 11]!;
    run.hashes = list;
    run.hashAt = at + RUN_NUMBERS;
  }

  readonly #note = (_from: number, count: number, lane: number): void => {
    const { lanes, kept } = this.#work!;
    if (lane !== 0) for (let i = 0; i < count; i++) lanes.set(kept + i, lane);
    this.#work!.kept += count;
  };

  #fail(error: unknown): void {
    this.#failure ??= error;
    this.#work?.fail(error);
    this.#pool.fail(error);
  }
}

/** The runs as they would be had each segment's lane been known: cut where it changes. */
function withLanes(runs: readonly Run[], lanes: ReadonlyMap<number, number>): Run[] {
  if (lanes.size === 0) return [...runs];
  const cut: Run[] = [];
  let kept = 0;
  for (const run of runs) {
    if (run.lane < 0) {
      cut.push(run);
      continue;
    }
    let last: Run | undefined;
    for (let i = 0; i < run.count; i++) {
      const lane = lanes.get(kept + i) ?? 0;
      if (last?.lane === lane) last.count++;
      else {
        last = { ...run, counter: run.counter + i, key: run.key + i * run.step, count: 1, lane };
        cut.push(last);
      }
    }
    kept += run.count;
  }
  return cut;
}
