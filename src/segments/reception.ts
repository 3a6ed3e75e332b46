// What one recording proves: its intact frames as runs of transmissions, its damaged ones as evidence. Nothing here grows with the
// bytes of the recording: frames that follow each other on board make one run.
import { type FrameReaders, type FrameSink, frameReaders } from '../layers/frame.js';
import { compileField, type FieldReader } from '../mission/frame-fields.js';
import type { FrameLayout } from '../mission/mission.js';
import { CounterUnwrapper } from './counter.js';

/** Intact frames sent one after the other: counters and segments both go up in step. */
export type Run = {
  readonly stretch: number;
  /** Unwrapped counter of the first frame, within its stretch. */
  readonly counter: number;
  count: number;
  readonly file: number;
  /** What the frames state of the file's size: number of segments (bytes, with byte offsets), 0 where they state nothing. */
  readonly segments: number;
  /** Segment number or byte offset of the first frame's segment. */
  readonly key: number;
  /** From one key to the next: 1 for segment numbers, the payload size for byte offsets. */
  readonly step: number;
  /** Which of the contents kept for these segments arrived (0 unless contents conflict); -1 = not kept. */
  readonly lane: number;
  /** Offset in the recording of the first frame. */
  readonly at: number;
};

/** A frame whose CRC failed. */
export type DamagedFrame = {
  readonly at: number;
  /** The transmission it most likely was; `null` where the neighbours do not tell. */
  readonly transmission: { readonly stretch: number; readonly counter: number } | null;
  /** Its bytes, a copy; shorter than a frame when it was cut. */
  readonly bytes: Uint8Array;
};

/** Where intact segments go; says in which lane the content is kept (see `Run.lane`). */
export interface SegmentStore {
  store(file: number, segments: number, key: number, bytes: Uint8Array, start: number, length: number): number;
}

/** Damaged frames whose bytes are kept, from the start of each recording: a bound that does not depend on other recordings. */
export const DAMAGED_KEPT = 4096;

export class ReceptionRecorder implements FrameSink {
  readonly runs: Run[] = [];
  readonly damagedFrames: DamagedFrame[] = [];
  intactFrames = 0;
  damagedTotal = 0;
  readonly #layout: FrameLayout;
  readonly #readers: FrameReaders;
  /** Size of the file as the frame states it, bytes. */
  readonly #fileBytes: FieldReader | undefined;
  readonly #store: SegmentStore;
  readonly #unwrapper: CounterUnwrapper;
  readonly #step: number;
  #run: Run | undefined;
  /** Unwrapped counter of the last intact frame. */
  #last = 0;
  /** Damaged frames since the last intact one, not yet attributed: their index in `damagedFrames`, and their own counter. */
  #pending: { index: number; raw: number }[] = [];
  #pendingTotal = 0;

  constructor(layout: FrameLayout, store: SegmentStore) {
    this.#layout = layout;
    this.#readers = frameReaders(layout);
    this.#fileBytes = layout.fields.bytes && compileField(layout.fields.bytes);
    this.#store = store;
    this.#unwrapper = new CounterUnwrapper(layout.fields.counter.bits);
    this.#step = layout.fields.offset ? layout.payload.size : 1;
  }

  /** Raw counter at which each stretch began. */
  get stretchStarts(): readonly number[] {
    return this.#unwrapper.stretchStarts;
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
    const counter = this.#unwrapper.next(readers.counter(bytes, start), file, Math.floor(key / this.#step));
    const { stretch } = this.#unwrapper;
    this.intactFrames++;
    const run = this.#run;
    if (
      run &&
      run.stretch === stretch &&
      run.counter + run.count === counter &&
      run.file === file &&
      run.segments === segments &&
      run.key + run.count * run.step === key &&
      run.lane === lane
    ) {
      run.count++;
    } else {
      this.#run = { stretch, counter, count: 1, file, segments, key, step: this.#step, lane, at };
      this.runs.push(this.#run);
    }
    if (this.#pendingTotal > 0) this.#attribute(counter, run?.stretch === stretch);
    this.#last = counter;
  }

  damaged(bytes: Uint8Array, start: number, end: number, at: number): void {
    this.damagedTotal++;
    this.#pendingTotal++;
    if (this.damagedFrames.length >= DAMAGED_KEPT) return;
    const whole = end - start >= this.#layout.length;
    this.#pending.push({ index: this.damagedFrames.length, raw: whole ? this.#readers.counter(bytes, start) : -1 });
    this.damagedFrames.push({ at, transmission: null, bytes: bytes.slice(start, end) });
  }

  /**
   * Names the transmissions of the damaged frames between the last intact frame and this one: all of them when just as many are
   * missing between the two, else only those whose own counter, though unproven, fits in between.
   */
  #attribute(counter: number, sameStretch: boolean): void {
    const missing = counter - this.#last - 1;
    const { stretch } = this.#unwrapper;
    const modulus = 2 ** this.#layout.fields.counter.bits;
    if (sameStretch && missing > 0) {
      let floor = this.#last;
      this.#pending.forEach(({ index, raw }, i) => {
        const own = raw < 0 ? -1 : this.#last + ((((raw - this.#last) % modulus) + modulus) % modulus);
        const named = missing === this.#pendingTotal ? this.#last + 1 + i : own > floor && own < counter ? own : -1;
        if (named < 0) return;
        floor = named;
        this.damagedFrames[index] = { ...this.damagedFrames[index]!, transmission: { stretch, counter: named } };
      });
    }
    this.#pending = [];
    this.#pendingTotal = 0;
  }
}
