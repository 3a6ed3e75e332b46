// Records what comes in frames of the mission's own: segments to the store, transmissions by the frames' counter.
import { hashLow } from '../bytes/xxh64.js';
import type { FrameSink } from '../layers/frame.js';
import { type FrameReaders, frameReaders } from '../layers/frame-readers.js';
import type { FrameRun } from '../layers/frame-scan.js';
import type { FrameLayout } from '../mission/mission.js';
import { type SegmentRun, type SegmentStore, storeRun } from './run.js';
import { RunRecorder } from './run-recorder.js';

export type { SegmentStore } from './run.js';
export { DAMAGED_KEPT } from './run-recorder.js';

export class ReceptionRecorder extends RunRecorder implements FrameSink {
  readonly #layout: FrameLayout;
  readonly #readers: FrameReaders;
  readonly #store: SegmentStore;
  readonly #step: number;
  readonly #run: SegmentRun;
  /** Of the first frame of the run under way: its counter, and its offset in the recording. */
  #counter = 0;
  #at = 0;

  constructor(layout: FrameLayout, store: SegmentStore) {
    super(layout.fields.counter.bits);
    const { length, payload, fields } = layout;
    this.#layout = layout;
    this.#readers = frameReaders(layout);
    this.#store = store;
    this.#step = fields.offset ? payload.size : 1;
    const none = { file: 0, segments: 0, key: 0, count: 0, bytes: new Uint8Array(0), start: 0, lastLength: 0 };
    const empty = { ...none, hashes: new Uint32Array(0), hashAt: 0 };
    this.#run = { ...empty, step: this.#step, stride: length, length: payload.size };
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

  intactRun(frames: FrameRun): void {
    const { bytes, start, count, key, lastBytes, hashes, hashAt } = frames;
    const { length, payload } = this.#layout;
    const last = count - 1;
    const used = this.#usedOf(key + last * this.#step, lastBytes, frames.fileBytes);
    const run = this.#run;
    run.file = frames.file;
    run.segments = frames.segments;
    run.key = key;
    run.count = count;
    run.bytes = bytes;
    run.start = start + payload.at;
    run.lastLength = used;
    run.hashes = hashes;
    run.hashAt = hashAt;
    const lastStart = run.start + last * length;
    if (used < lastBytes) hashes[hashAt + last] = hashLow(bytes, lastStart, lastStart + used);
    this.#counter = frames.counter;
    this.#at = frames.at;
    storeRun(run, this.#store, this.#keepKept);
  }

  readonly #keepKept = (from: number, count: number, lane: number): void => {
    const { file, segments, step } = this.#run;
    const key = this.#run.key + from * step;
    const at = this.#at + from * this.#layout.length;
    this.keep(this.#counter + from, Math.floor(key / step), file, segments, key, step, lane, at);
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
