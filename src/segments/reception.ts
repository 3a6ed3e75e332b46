// Records what comes in frames of the mission's own: segments to the store, transmissions by the frames' counter.
import { type FrameReaders, type FrameSink, frameReaders } from '../layers/frame.js';
import { compileField, type FieldReader } from '../mission/frame-fields.js';
import type { FrameLayout } from '../mission/mission.js';
import type { SegmentStore } from './run.js';
import { RunRecorder } from './run-recorder.js';

export type { SegmentStore } from './run.js';
export { DAMAGED_KEPT } from './run-recorder.js';

export class ReceptionRecorder extends RunRecorder implements FrameSink {
  readonly #layout: FrameLayout;
  readonly #readers: FrameReaders;
  /** Size of the file as the frame states it, bytes. */
  readonly #fileBytes: FieldReader | undefined;
  readonly #store: SegmentStore;
  readonly #step: number;

  constructor(layout: FrameLayout, store: SegmentStore) {
    super(layout.fields.counter.bits);
    this.#layout = layout;
    this.#readers = frameReaders(layout);
    this.#fileBytes = layout.fields.bytes && compileField(layout.fields.bytes);
    this.#store = store;
    this.#step = layout.fields.offset ? layout.payload.size : 1;
  }

  intact(bytes: Uint8Array, start: number, at: number): void {
    const readers = this.#readers;
    const file = readers.file(bytes, start);
    const key = readers.key(bytes, start);
    const fileBytes = this.#fileBytes?.(bytes, start) ?? 0;
    const segments = this.#layout.fields.offset ? fileBytes : readers.segments(bytes, start);
    let payloadBytes = readers.payloadBytes(bytes, start);
    if (fileBytes > 0) {
      // Without a length of its own the last payload is filled up: what is of the file ends where the file does.
      const position = (key / this.#step) * this.#layout.payload.size;
      payloadBytes = Math.min(payloadBytes, Math.max(0, fileBytes - position));
    }
    const lane = this.#store.store(file, segments, key, bytes, start + this.#layout.payload.at, payloadBytes);
    const ordinal = Math.floor(key / this.#step);
    this.keep(readers.counter(bytes, start), ordinal, file, segments, key, this.#step, lane, at);
  }

  damaged(bytes: Uint8Array, start: number, end: number, at: number): void {
    const whole = end - start >= this.#layout.length;
    this.keepDamaged(bytes, start, end, at, whole ? this.#readers.counter(bytes, start) : -1);
  }
}
