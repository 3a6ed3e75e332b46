// Records what comes in frames of the mission's own: segments to the store, transmissions by the frames' counter.
import { distanceTo } from '../bytes/spread.js';
import { hashLow } from '../bytes/xxh64.js';
import type { FrameSink } from '../layers/frame.js';
import { type FrameReaders, frameReaders } from '../layers/frame-readers.js';
import { emptyRun, type FrameRun } from '../layers/frame-scan.js';
import type { FrameLayout } from '../mission/mission.js';
import { type SegmentStore, storeRun } from './run.js';
import { RunRecorder } from './run-recorder.js';

export type { SegmentStore } from './run.js';
export { DAMAGED_KEPT } from './run-recorder.js';

export class ReceptionRecorder extends RunRecorder implements FrameSink {
  readonly #layout: FrameLayout;
  readonly #readers: FrameReaders;
  readonly #store: SegmentStore;
  readonly #step: number;
  /** Under way. */
  #run: FrameRun;

  constructor(layout: FrameLayout, store: SegmentStore) {
    super(layout.fields.counter.bits);
    this.#layout = layout;
    this.#readers = frameReaders(layout);
    this.#store = store;
    this.#run = emptyRun(layout);
    this.#step = this.#run.step;
  }

  intact(bytes: Uint8Array, start: number, at: number): void {
    const readers = this.#readers;
    const file = readers.file(bytes, start);
    const key = readers.key(bytes, start);
    const segments = readers.segments(bytes, start);
    const used = this.#usedOf(key, readers.payloadBytes(bytes, start), readers.fileBytes(bytes, start));
    const lane = this.#store.store(file, segments, key, bytes, start + this.#layout.payload.at, used);
    this.keep(readers.counter(bytes, start), Math.floor(key / this.#step), file, segments, key, this.#step, lane, at);
  }

  intactRun(run: FrameRun): void {
    const last = run.count - 1;
    const used = this.#usedOf(run.key + last * run.step, run.lastLength, run.fileBytes);
    if (used < run.lastLength) {
      const start = run.start + distanceTo(last, run);
      run.hashes[run.hashAt + last] = hashLow(run.bytes, start, start + used);
      run.lastLength = used;
    }
    this.#run = run;
    storeRun(run, this.#store, this.#keepKept);
  }

  readonly #keepKept = (from: number, count: number, lane: number): void => {
    const { counter, file, segments, step, at } = this.#run;
    const place = at + distanceTo(from, this.#run);
    const key = this.#run.key + from * step;
    this.keep(counter + from, Math.floor(key / step), file, segments, key, step, lane, place);
    this.keepOn(count - 1);
  };

  /** Payload bytes that are of the file. Where frames state no length of their own, the last payload is filled up. */
  #usedOf(key: number, stated: number, fileBytes: number): number {
    if (fileBytes === 0) return stated;
    const position = (key / this.#step) * this.#layout.payload.size;
    return Math.min(stated, Math.max(0, fileBytes - position));
  }

  damaged(bytes: Uint8Array, start: number, end: number, at: number): void {
    const whole = end - start >= this.#layout.length;
    this.keepDamaged(bytes, start, end, at, whole ? this.#readers.counter(bytes, start) : -1);
  }
}
