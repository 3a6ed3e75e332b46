// The main thread's side of a decoding thread: hands it a recording, or its blocks where they have to be unpacked, and keeps the
// segments it finds.
import { Worker } from 'node:worker_threads';
import { addGatherRoom } from '../bytes/gather-room.js';
import { RecordingError } from '../errors.js';
import { readRecording, type WasRead } from '../intake/read-recording.js';
import type { Block, PlainFiles, Recording } from '../intake/source.js';
import type { Mission } from '../mission/mission.js';
import type { Received } from '../segments/receive.js';
import type { Run, SegmentStore } from '../segments/run.js';
import {
  type Decoded,
  type Ended,
  type FromDecoder,
  LISTED_SEGMENTS,
  type Places,
  SEGMENT_NUMBERS,
  SLOT_BYTES,
  type ToDecoder,
} from './protocol.js';
import { SlotPool } from './slot-pool.js';

/** Where the compiled thread lies; sources that run without a build have none. */
export const threadFile: URL = new URL('./decode-thread.js', import.meta.url);

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
  readonly #pool = new SlotPool();
  #work: Work | undefined;
  #failure: unknown;

  constructor(mission: Mission) {
    this.#worker = new Worker(threadFile, { workerData: { mission } });
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
    this.#lists = lists.map((at) => new Float64Array(buffer, at, LISTED_SEGMENTS * SEGMENT_NUMBERS));
    addGatherRoom(memory, gatherAt);
  }

  async #hand({ bytes, at, gap }: Block): Promise<void> {
    for (let from = 0; from < bytes.length; from += SLOT_BYTES) {
      const piece = bytes.subarray(from, from + SLOT_BYTES);
      const slot = await this.#pool.take();
      this.#slots[slot]!.set(piece);
      this.#post({ kind: 'block', slot, length: piece.length, at: at + from, gap: from === 0 && gap === true });
    }
  }

  #keep({ slot, bytes, count, segments: own, spill }: Decoded): void {
    const work = this.#work;
    const segments = own ?? this.#lists[slot]!;
    const end = count * SEGMENT_NUMBERS;
    if (work && this.#failure === undefined) {
      try {
        for (let at = 0; at < end; at += SEGMENT_NUMBERS) {
          const place = segments[at + 3]!;
          const lane = work.store.store(
            segments[at]!,
            segments[at + 1]!,
            segments[at + 2]!,
            place < 0 ? spill : this.#memory,
            place < 0 ? -1 - place : place,
            segments[at + 4]!,
            segments[at + 5]!,
          );
          if (lane !== 0) work.lanes.set(work.kept, lane);
          work.kept++;
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
