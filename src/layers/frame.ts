// The mission's own frame, as the mission file describes it: found by its marker across the borders of what carries it, checked
// by its CRC. The innermost layer: it hands whole frames to the segments, and damaged ones as evidence.
import { makeCrc } from '../bytes/crc.js';
import { RollingBuffer } from '../bytes/rolling-buffer.js';
import { compileField, writeField } from '../mission/frame-fields.js';
import type { FrameLayout } from '../mission/mission.js';
import type { LayerCounts, Decoder } from './layer.js';

/** What takes the frames. `bytes` is lent for the call; the frame stands at `bytes[start, start + layout.length)`. */
export interface FrameSink {
  /** CRC right and the fields possible. `at` = offset in the recording of the frame's first byte. */
  intact(bytes: Uint8Array, start: number, at: number): void;
  /** CRC wrong, at the place of a frame; fewer than `layout.length` bytes when it was cut. */
  damaged(bytes: Uint8Array, start: number, end: number, at: number): void;
}

/** Reads one field of the frame that starts at `frameStart`. */
export type FieldReader = (bytes: Uint8Array, frameStart: number) => number;

export type FrameReaders = {
  readonly counter: FieldReader;
  readonly file: FieldReader;
  /** Segment index or byte offset: what names the segment in its file. */
  readonly key: FieldReader;
  /** Number of segments, or 0 where the frame does not tell. */
  readonly segments: FieldReader;
  /** Payload bytes used. */
  readonly payloadBytes: FieldReader;
};

export function frameReaders(layout: FrameLayout): FrameReaders {
  const { counter, file, segment, offset, segments, bytes, length } = layout.fields;
  const { size } = layout.payload;
  const fileBytes = bytes && compileField(bytes);
  const fromBytes: FieldReader = fileBytes && segment ? (b, at) => Math.ceil(fileBytes(b, at) / size) : () => 0;
  return {
    counter: compileField(counter),
    file: compileField(file),
    key: compileField((segment ?? offset)!),
    segments: segments ? compileField(segments) : fromBytes,
    payloadBytes: length ? compileField(length) : () => size,
  };
}

/** Candidates looked at inside one damaged frame: bounds the work on content that is full of markers. */
const MAX_CANDIDATES = 64;

/** States: on the grid (`#onGrid`: a frame is due where the last one ended) and searching for the next marker. */
export class FrameDecoder implements Decoder {
  readonly #length: number;
  readonly #marker: Buffer;
  readonly #crcAt: number;
  readonly #crcBytes: number;
  readonly #crcLittle: boolean;
  readonly #covers: readonly [number, number];
  readonly #crc: (bytes: Uint8Array, start: number, end: number) => number;
  readonly #readers: FrameReaders;
  readonly #payloadSize: number;
  readonly #byOffset: boolean;
  readonly #sink: FrameSink;
  readonly #buffer = new RollingBuffer();
  #onGrid = false;
  /** Stream position of `#buffer.start`, counted from the first byte ever pushed. */
  #position = 0;
  /** Pieces as pushed: stream position of each one's first byte, and its offset in the recording. */
  #pieces: { position: number; at: number }[] = [];
  /** Stream positions where the layer below says that a frame starts. */
  #hints: number[] = [];
  readonly #counts = { intact: 0, damaged: 0, skippedBytes: 0 };

  constructor(layout: FrameLayout, sink: FrameSink) {
    this.#length = layout.length;
    this.#marker = Buffer.from(layout.marker);
    this.#crcAt = layout.crc.at;
    this.#crcBytes = layout.crc.parameters.width / 8;
    this.#crcLittle = layout.crc.endian === 'little';
    this.#covers = layout.crc.covers;
    this.#crc = makeCrc(layout.crc.parameters);
    this.#readers = frameReaders(layout);
    this.#payloadSize = layout.payload.size;
    this.#byOffset = layout.fields.offset !== undefined;
    this.#sink = sink;
  }

  push(buffer: Uint8Array, start: number, end: number, at: number, unitStart: number): void {
    const position = this.#position + this.#buffer.length;
    this.#pieces.push({ position, at });
    if (unitStart >= 0) this.#hints.push(position + unitStart - start);
    this.#buffer.append(buffer, start, end);
    this.#process(false);
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
  }

  counts(): LayerCounts {
    return { ...this.#counts };
  }

  #process(final: boolean): void {
    const length = this.#length;
    const buffer = this.#buffer;
    for (;;) {
      const { bytes, start, end } = buffer;
      if (end - start < length) break;
      const marked = this.#isMarkerAt(start);
      if (marked && this.#isIntactAt(start)) {
        this.#counts.intact++;
        this.#sink.intact(bytes, start, this.#offsetOf(this.#position));
        this.#advance(length);
        this.#onGrid = true;
        continue;
      }
      // What stands here is no whole frame: see what begins inside it before passing over it.
      if (!final && end - start < 2 * length) break;
      if (!marked && !this.#onGrid) {
        this.#search();
        continue;
      }
      const inner = this.#findIntact(start + 1, start + length);
      const gridHolds = this.#isMarkerAt(start + length) || start + length === end;
      if (inner >= 0) {
        if (marked || this.#onGrid) this.#reportDamaged(inner - start);
        this.#advance(inner - start);
        this.#onGrid = true;
      } else if (marked ? this.#onGrid || gridHolds || this.#marker.length >= 4 : gridHolds) {
        this.#reportDamaged(length);
        this.#advance(length);
        this.#onGrid = gridHolds || (marked && this.#onGrid);
      } else {
        this.#onGrid = false;
        this.#search();
      }
    }
    if (!final) return;
    if (buffer.length > this.#marker.length && this.#marker.length > 0 && this.#isMarkerAt(buffer.start)) {
      this.#reportDamaged(buffer.length);
    } else {
      this.#counts.skippedBytes += buffer.length;
    }
    this.#advance(buffer.length);
    this.#hints = [];
  }

  #reportDamaged(size: number): void {
    const { bytes, start } = this.#buffer;
    this.#counts.damaged++;
    this.#sink.damaged(bytes, start, start + size, this.#offsetOf(this.#position));
  }

  /** Goes to the next place where a frame may start: a marker, or where the layer below says so. */
  #search(): void {
    const { bytes, start, end } = this.#buffer;
    let found = this.#nextCandidate(start + 1, end);
    if (found < 0) found = Math.max(start + 1, end - Math.max(0, this.#marker.length - 1));
    this.#counts.skippedBytes += found - start;
    this.#advance(found - start);
    if (this.#marker.length === 0 && found < end && bytes) this.#onGrid = true;
  }

  /** The first place in `[from, to)` where an intact frame begins, or -1. */
  #findIntact(from: number, to: number): number {
    let at = from;
    for (let tries = 0; tries < MAX_CANDIDATES; tries++) {
      at = this.#nextCandidate(at, to);
      if (at < 0 || at + this.#length > this.#buffer.end) return -1;
      if (this.#isIntactAt(at)) return at;
      at++;
    }
    return -1;
  }

  /** The first marker or hinted start in `[from, to)`, as an index into the buffer; -1 when there is none. */
  #nextCandidate(from: number, to: number): number {
    const { bytes, start } = this.#buffer;
    let found = -1;
    if (this.#marker.length > 0) {
      found = bytes.subarray(0, Math.min(to + this.#marker.length - 1, this.#buffer.end)).indexOf(this.#marker, from);
    }
    const hint = this.#hints.find((position) => position - this.#position + start >= from);
    if (hint === undefined) return found;
    const hinted = hint - this.#position + start;
    return hinted < to && (found < 0 || hinted < found) ? hinted : found;
  }

  #isMarkerAt(index: number): boolean {
    const marker = this.#marker;
    const { bytes, end } = this.#buffer;
    if (index + marker.length > end) return false;
    for (let i = 0; i < marker.length; i++) if (bytes[index + i] !== marker[i]) return false;
    return marker.length > 0 || this.#onGrid;
  }

  #isIntactAt(index: number): boolean {
    const { bytes } = this.#buffer;
    let stated = 0;
    const crcStart = index + this.#crcAt;
    for (let i = 0; i < this.#crcBytes; i++) {
      stated = stated * 256 + bytes[crcStart + (this.#crcLittle ? this.#crcBytes - 1 - i : i)]!;
    }
    if (this.#crc(bytes, index + this.#covers[0], index + this.#covers[1]) !== stated) return false;
    const payloadBytes = this.#readers.payloadBytes(bytes, index);
    if (payloadBytes > this.#payloadSize) return false;
    if (this.#byOffset) return true;
    // Only the last segment may be short: the place of every other one is its number times the payload size.
    const segments = this.#readers.segments(bytes, index);
    if (segments === 0) return true;
    const segment = this.#readers.key(bytes, index);
    return segment < segments && (payloadBytes === this.#payloadSize || segment === segments - 1);
  }

  #advance(size: number): void {
    this.#buffer.start += size;
    this.#position += size;
    const pieces = this.#pieces;
    let drop = 0;
    while (drop + 1 < pieces.length && pieces[drop + 1]!.position <= this.#position) drop++;
    if (drop > 0) pieces.splice(0, drop);
    while (this.#hints.length > 0 && this.#hints[0]! < this.#position) this.#hints.shift();
  }

  #offsetOf(position: number): number {
    const piece = this.#pieces[0]!;
    return piece.at + position - piece.position;
  }
}

/**
 * Writes one frame: marker, fields, payload (padded with zeros), CRC.
 *
 * @param payload at most `layout.payload.size` bytes
 */
export function encodeFrame(
  layout: FrameLayout,
  values: Readonly<Partial<Record<keyof FrameLayout['fields'], number>>>,
  payload: Uint8Array,
): Uint8Array {
  const frame = new Uint8Array(layout.length);
  frame.set(layout.marker);
  for (const [name, field] of Object.entries(layout.fields)) {
    if (field) writeField(field, frame, 0, values[name as keyof FrameLayout['fields']] ?? 0);
  }
  frame.set(payload, layout.payload.at);
  const { parameters, at, covers, endian } = layout.crc;
  let rest = makeCrc(parameters)(frame, covers[0], covers[1]);
  const bytes = parameters.width / 8;
  for (let i = bytes - 1; i >= 0; i--) {
    frame[at + (endian === 'little' ? bytes - 1 - i : i)] = rest % 256;
    rest = Math.floor(rest / 256);
  }
  return frame;
}
