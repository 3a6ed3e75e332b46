// The mission's own frame, as the mission file describes it: found by its marker across the borders of what carries it, checked
// by its CRC. The innermost layer: it hands whole frames to the segments, and damaged ones as evidence.
import { type Crc, makeCrc } from '../bytes/crc.js';
import { RollingBuffer } from '../bytes/rolling-buffer.js';
import { distanceTo, EVENLY } from '../bytes/spread.js';
import { compileField, type FieldReader, writeField } from '../mission/frame-fields.js';
import type { FrameField, FrameLayout } from '../mission/mission.js';
import { type FrameReaders, frameReaders } from './frame-readers.js';
import { emptyRun, type FrameRun, FrameScan } from './frame-scan.js';
import type { FrameGroups } from './frame-survey.js';
import { type Decoder, hasLead, type LayerCounts, type UnitTrain } from './layer.js';

/** What takes the frames. `bytes` is lent for the call; the frame stands at `bytes[start, start + layout.length)`. */
export interface FrameSink {
  /** CRC right and the fields possible. `at` = offset in the recording of the frame's first byte. */
  intact(bytes: Uint8Array, start: number, at: number): void;
  /** The same of several at once, for who can use it. @param run lent for the call, and may be changed */
  intactRun?(run: FrameRun): void;
  /** CRC wrong, at the place of a frame; fewer than `layout.length` bytes when it was cut. */
  damaged(bytes: Uint8Array, start: number, end: number, at: number): void;
}

/** Frames that wait for their rest do so where CRCs are fast. */
const ROOM_BYTES = 1 << 18;

/** CRCs computed for places inside one damaged frame, at most: bounds the work on content crafted to be full of frames. */
const MAX_CHECKS = 64;

/**
 * States: on the grid (`#onGrid`: a frame is due where the last one ended) and searching for the next place where one may start:
 * a marker or, for frames without one, where the layer below says so. No intact frame is passed over: what begins inside a
 * damaged frame is looked at before that is left behind.
 */
export class FrameDecoder implements Decoder {
  readonly #length: number;
  readonly #marker: Buffer;
  /** Bytes from where no whole frame stands on that are looked at before it is left. */
  readonly #judged: number;
  readonly #covers: readonly [number, number];
  readonly #crc: Crc;
  readonly #statedCrc: FieldReader;
  readonly #readers: FrameReaders;
  readonly #sink: FrameSink;
  readonly #scan: FrameScan | undefined;
  readonly #run: FrameRun;
  readonly #payloadAt: number;
  readonly #buffer = new RollingBuffer(ROOM_BYTES);
  #onGrid = false;
  /** Stream position of `#buffer.start`, counted from the first byte ever pushed. */
  #position = 0;
  /** Stream position where no intact frame begins: it is not looked at again while more bytes are waited for. */
  #refused = -1;
  /** Pieces as pushed: stream position of each one's first byte, and its offset in the recording. */
  readonly #pieces: { position: number; at: number }[] = [];
  /** Without a marker: stream positions where the layer below says that a frame starts. */
  readonly #hints: number[] = [];
  readonly #counts = { intact: 0, damaged: 0, skippedBytes: 0 };

  constructor(layout: FrameLayout, sink: FrameSink) {
    this.#length = layout.length;
    this.#marker = Buffer.from(layout.marker);
    this.#judged = 2 * layout.length + layout.marker.length;
    this.#covers = layout.crc.covers;
    this.#crc = makeCrc(layout.crc.parameters);
    this.#statedCrc = compileField(crcField(layout));
    this.#readers = frameReaders(layout);
    this.#run = emptyRun(layout);
    this.#payloadAt = layout.payload.at;
    this.#sink = sink;
    this.#scan = sink.intactRun && FrameScan.of(layout);
  }

  push(buffer: Uint8Array, start: number, end: number, at: number, unitStart: number): void {
    const position = this.#position + this.#buffer.length;
    if (this.#marker.length === 0) {
      if (unitStart >= 0) this.#hints.push(position + unitStart - start);
      else if (position === 0) this.#onGrid = true;
    }
    for (let from = start; from < end; ) {
      from = this.#takeInPlace(buffer, from, end, at + from - start);
      const to = Math.min(end, from + this.#wanted);
      if (from < to) this.#append(buffer, from, to, at + from - start);
      from = to;
    }
  }

  /** How many more bytes bring what waits to the end of a frame or, where none stands there, to where that can be judged. */
  get #wanted(): number {
    const { length } = this.#buffer;
    return length < this.#length ? this.#length - length : Math.max(1, this.#judged - length);
  }

  #append(buffer: Uint8Array, start: number, end: number, at: number): void {
    if (this.#buffer.length === 0) this.#pieces.length = 0;
    this.#pieces.push({ position: this.#position + this.#buffer.length, at });
    this.#buffer.append(buffer, start, end);
    this.#process(false);
  }

  /** The common case without a copy: intact frames one after the other where they were expected. Returns where it ends. */
  #takeInPlace(buffer: Uint8Array, start: number, end: number, at: number): number {
    if (!this.#onGrid || this.#marker.length === 0 || this.#buffer.length > 0) return start;
    let from = this.#takeRuns(buffer, start, end, at);
    for (; from + this.#length <= end; from += this.#length) {
      if (!this.#isMarkerAt(buffer, from) || !this.#isPossible(buffer, from) || !this.#isCrcRight(buffer, from)) break;
      this.#counts.intact++;
      this.#sink.intact(buffer, from, at + from - start);
    }
    this.#position += from - start;
    return from;
  }

  /** The same, many at once. */
  #takeRuns(buffer: Uint8Array, start: number, end: number, at: number): number {
    let from = start;
    for (let size = 1; size > 0 && from + this.#length <= end; from += size) {
      const most = Math.floor((end - from) / this.#length);
      const frames = Math.min(most, this.#scanFrom(buffer, from, end, EVENLY));
      this.#handOn(buffer, from, at + from - start, frames);
      size = frames * this.#length;
    }
    return from;
  }

  pushTrain(train: UnitTrain): number {
    const { buffer, start, size, pitch, lead, at } = train;
    const group = size / this.#length;
    if (!this.#scan || !this.#onGrid || this.#buffer.length > 0 || !Number.isInteger(group)) return 0;
    let count = train.count;
    // Where streams take turns there is no train: nothing is looked at twice.
    if (count === 0 || !hasLead(train, 1)) return 0;
    if (this.#scan.isSurveyed) for (count = 0; count < train.count && hasLead(train, count + 1); ) count++;
    const frames = this.#scanFrom(buffer, start, start + count * pitch, { group, skip: pitch - size }, lead);
    // A unit that is not whole is looked at by itself, as is the last before another lead.
    let units = Math.min(count, Math.floor(frames / group));
    if (units > 0 && !hasLead(train, units)) units--;
    this.#handOn(buffer, start, at, units * group);
    this.#position += units * size;
    return units;
  }

  /** How many frames stand from `start` on that are intact, and their fields possible; maybe not all, and maybe some behind `end`. */
  #scanFrom(buffer: Uint8Array, start: number, end: number, groups: FrameGroups, lead = 0): number {
    const run = this.#run;
    run.group = groups.group;
    run.skip = groups.skip;
    const runs = this.#scan?.scan(buffer, start, end, groups, lead) ?? 0;
    let frames = 0;
    for (let i = 0, isWhole = true; i < runs && isWhole; i++) {
      isWhole = this.#read(i);
      frames += run.count;
    }
    return frames;
  }

  /** Hands on `count` of the frames that a scan found from `start` on. */
  #handOn(buffer: Uint8Array, start: number, at: number, count: number): void {
    const run = this.#run;
    run.bytes = buffer;
    this.#counts.intact += count;
    for (let i = 0, taken = 0; taken < count; i++) {
      this.#read(i);
      if (run.count > count - taken) {
        run.count = count - taken;
        run.lastLength = run.length;
      }
      run.phase = 0;
      const distance = distanceTo(taken, run);
      run.phase = taken % run.group;
      run.start = start + distance + this.#payloadAt;
      run.at = at + distance;
      taken += run.count;
      this.#sink.intactRun!(run);
    }
  }

  /** Of what a scan found, the run numbered `index`: what comes in it before the first frame whose fields are not possible. */
  #read(index: number): boolean {
    const run = this.#run;
    this.#scan!.read(index, run);
    run.segments = this.#readers.sizeOf(run.segments, run.fileBytes);
    const { count } = run;
    // All are where the last one's are.
    while (
      run.count > 0 &&
      !this.#readers.arePossible(run.key + (run.count - 1) * run.step, run.segments, run.lastLength)
    ) {
      run.count--;
      run.lastLength = run.length;
    }
    return run.count === count;
  }

  /** A frame that lies across the gap fails its CRC, and the search inside it finds the next one: nothing to give up here. */
  gap(): void {}

  /** Without a stream layer frames do not cross packets: the next packet starts with a frame. */
  unitEnd(): void {
    this.#process(true);
    this.#onGrid = true;
  }

  end(): void {
    this.#process(true);
    this.#onGrid = false;
    this.#buffer.release();
  }

  counts(): LayerCounts {
    return { ...this.#counts };
  }

  #process(final: boolean): void {
    const length = this.#length;
    const buffer = this.#buffer;
    while (buffer.length >= length) {
      const { bytes, start } = buffer;
      const starts = this.#startsAt(start);
      if (starts && this.#position !== this.#refused && this.#isIntactAt(start)) {
        this.#counts.intact++;
        this.#sink.intact(bytes, start, this.#offset());
        this.#advance(length);
        this.#onGrid = true;
        continue;
      }
      this.#refused = this.#position;
      // What stands here is no whole frame: see what begins inside it, and whether the grid goes on behind it.
      if (!final && buffer.length < this.#judged) return;
      if (starts || this.#onGrid) this.#leave(start, starts);
      else this.#skip(this.#nextStart(start + 1, buffer.end - Math.max(0, this.#marker.length - 1)));
    }
    if (final) this.#finish();
  }

  /** Less than a frame is left, and no more comes. */
  #finish(): void {
    const { start, end } = this.#buffer;
    const { length } = this.#marker;
    if (length > 0 && end - start >= length) {
      this.#skip(this.#nextStart(start, end - length));
      if (this.#startsAt(this.#buffer.start)) this.#reportDamaged(this.#buffer.length);
    }
    this.#skip(end);
    this.#hints.length = 0;
  }

  /** Goes on behind what is no intact frame: to an intact one that begins inside it, else by its length. */
  #leave(start: number, starts: boolean): void {
    const next = start + this.#length;
    const intact = this.#findIntact(start + 1, next);
    const gridHolds = intact < 0 && this.#gridHolds(next);
    const until =
      intact >= 0 ? intact : !gridHolds && this.#marker.length === 0 ? this.#nextStart(start + 1, next) : next;
    // A marker of four bytes is no accident; a shorter one means a frame only where one is due or another follows.
    const isFrame = this.#onGrid ? starts || gridHolds : gridHolds || this.#marker.length >= 4;
    if (isFrame) this.#reportDamaged(until - start);
    else this.#skip(until);
    this.#onGrid = until < next || gridHolds;
  }

  /** Whether the frame due at `next` is there, going by its marker or by the marker of the one after it. */
  #gridHolds(next: number): boolean {
    const { start, end } = this.#buffer;
    if (this.#marker.length > 0) return this.#startsAt(next) || this.#startsAt(next + this.#length) || next === end;
    return this.#nextStart(start + 1, next) === next || (next + this.#length <= end && this.#isIntactAt(next));
  }

  /** Counts the next `size` bytes as a damaged frame, and goes on behind them. */
  #reportDamaged(size: number): void {
    const { bytes, start } = this.#buffer;
    this.#counts.damaged++;
    this.#sink.damaged(bytes, start, start + size, this.#offset());
    this.#advance(size);
  }

  #skip(until: number): void {
    const size = until - this.#buffer.start;
    this.#counts.skippedBytes += size;
    this.#advance(size);
  }

  /** The first place in `[from, to)` where an intact frame begins, or -1. */
  #findIntact(from: number, to: number): number {
    const { bytes, end } = this.#buffer;
    const until = Math.min(to, end - this.#length + 1);
    let checks = 0;
    for (
      let at = this.#nextStart(from, until);
      at < until && checks < MAX_CHECKS;
      at = this.#nextStart(at + 1, until)
    ) {
      if (!this.#isPossible(bytes, at)) continue;
      if (this.#isCrcRight(bytes, at)) return at;
      checks++;
    }
    return -1;
  }

  /** The first place in `[from, to)` where a frame may start: a marker or a hint; else `to`. */
  #nextStart(from: number, to: number): number {
    const { bytes, start, end } = this.#buffer;
    const { length } = this.#marker;
    if (length > 0) {
      const found = bytes.subarray(0, Math.min(to + length - 1, end)).indexOf(this.#marker, from);
      return found < 0 ? to : found;
    }
    const hint = this.#hints.find((position) => position - this.#position + start >= from);
    return hint === undefined ? to : Math.min(to, hint - this.#position + start);
  }

  /** Whether a frame may start at `index`: there is the marker or, without markers, it is due there or the layer below says so. */
  #startsAt(index: number): boolean {
    const { bytes, start, end } = this.#buffer;
    const { length } = this.#marker;
    if (length === 0) return index === start && (this.#onGrid || this.#hints[0] === this.#position);
    return index + length <= end && this.#isMarkerAt(bytes, index);
  }

  #isMarkerAt(bytes: Uint8Array, index: number): boolean {
    const marker = this.#marker;
    for (let i = 0; i < marker.length; i++) if (bytes[index + i] !== marker[i]) return false;
    return true;
  }

  /** Cheaper than the CRC, and a frame that fails it is of no use even if the CRC is right. */
  #isPossible(bytes: Uint8Array, index: number): boolean {
    const { key, segments, payloadBytes, arePossible } = this.#readers;
    return arePossible(key(bytes, index), segments(bytes, index), payloadBytes(bytes, index));
  }

  #isIntactAt(index: number): boolean {
    const { bytes } = this.#buffer;
    return this.#isPossible(bytes, index) && this.#isCrcRight(bytes, index);
  }

  #isCrcRight(bytes: Uint8Array, index: number): boolean {
    const stated = this.#statedCrc(bytes, index);
    if (this.#crc(bytes, index + this.#covers[0], index + this.#covers[1]) !== stated) return false;
    // Many a CRC is 0 over zeros: without a marker, fill would pass for frames.
    return (
      stated !== 0 || this.#marker.length > 0 || bytes.subarray(index, index + this.#length).some((byte) => byte !== 0)
    );
  }

  #advance(size: number): void {
    this.#buffer.start += size;
    this.#position += size;
    let passed = 0;
    while (passed < this.#hints.length && this.#hints[passed]! < this.#position) passed++;
    if (passed > 0) this.#hints.splice(0, passed);
    const pieces = this.#pieces;
    let done = 0;
    while (done + 1 < pieces.length && pieces[done + 1]!.position <= this.#position) done++;
    if (done > 0) pieces.splice(0, done);
  }

  /** Offset in the recording of the buffer's first byte. */
  #offset(): number {
    const { position, at } = this.#pieces[0]!;
    return at + this.#position - position;
  }
}

function crcField({ crc }: FrameLayout): FrameField {
  return { at: crc.at, bit: 0, bits: crc.parameters.width, endian: crc.endian };
}

/**
 * Writes one frame: marker, fields (0 where `values` has none), payload (padded with zeros), CRC.
 *
 * @param payload at most `layout.payload.size` bytes
 * @throws RangeError when the payload is longer, or a value does not fit its field
 */
export function encodeFrame(
  layout: FrameLayout,
  values: Readonly<Partial<Record<keyof FrameLayout['fields'], number>>>,
  payload: Uint8Array,
): Uint8Array {
  if (payload.length > layout.payload.size) {
    throw new RangeError(`a payload of at most ${layout.payload.size} bytes fits the frame, got ${payload.length}`);
  }
  const frame = new Uint8Array(layout.length);
  frame.set(layout.marker);
  for (const [name, field] of Object.entries(layout.fields)) {
    if (field) writeField(field, frame, 0, values[name as keyof FrameLayout['fields']] ?? 0);
  }
  frame.set(payload, layout.payload.at);
  const { parameters, covers } = layout.crc;
  writeField(crcField(layout), frame, 0, makeCrc(parameters)(frame, covers[0], covers[1]));
  return frame;
}
