// DVB-S2 baseband frames (EN 302 307-1, 5.1): finds them in a byte stream by content, checks the header's CRC-8 and hands on the
// data fields. Records may be fixed (Kbch / 8 bytes, padded) or variable (10 + DFL / 8 bytes); which one is found out.
import { z } from 'zod';
import { RollingBuffer } from '../bytes/rolling-buffer.js';
import { UsageError } from '../errors.js';
import {
  dataEndAt,
  firstUnitAt,
  HEADER_BYTES,
  isHeaderAt,
  KBCH_BYTES,
  kindAt,
  NO_SYNC,
  STREAM_TYPE,
  streamAt,
  streamName,
  writeBasebandHeader,
} from './baseband-header.js';
import type { Decoder, Encoder, LayerCounts, LayerDefinition, Receiver } from './layer.js';

type Options = {
  /** Input stream identifier; absent = the first one seen. */
  isi?: number | undefined;
  /** For the encoder: bytes of one baseband frame, Kbch / 8. Default 4026. */
  frame?: number | undefined;
  /** For the encoder: records padded to `frame` (default), or ending after the data field. */
  record?: 'fixed' | 'variable' | undefined;
};

const LONGEST_FRAME = Math.max(...KBCH_BYTES);

const optionsSchema: z.ZodType<Options> = z.strictObject({
  isi: z.number().int().min(0).max(255).optional(),
  frame: z
    .number()
    .int()
    .min(HEADER_BYTES + 1)
    .max(LONGEST_FRAME)
    .optional(),
  record: z.enum(['fixed', 'variable']).optional(),
});

export const dvbS2: LayerDefinition<Options> = {
  name: 'dvb-s2',
  source: 'EN 302 307-1, 5.1.6',
  options: optionsSchema,
  decoder: (options, next) => new BasebandDecoder(options, next),
  encoder: (options, emit) => new BasebandEncoder(options, emit),
};

/** How far the next header, or a second one as a witness, is looked for: four of the longest frames. */
const SEARCH_BYTES = 4 * LONGEST_FRAME;
/** Where a search decides it sees this far, however the stream was cut into blocks: so the cutting changes nothing. */
const LOOKAHEAD_BYTES = LONGEST_FRAME + SEARCH_BYTES + HEADER_BYTES;
/** Bounds on what crafted input can cost: headers looked at for one witness, and kinds remembered. */
const MAX_WITNESSES = 64;
const MAX_KINDS = 16;
/** Damaged headers in a row over which the grid of fixed records is trusted more than what looks like a header off it. */
const MAX_DAMAGED = 8;

/**
 * Searching (`#onGrid` false), or with a good header at the buffer's start. Wherever a record's end is in doubt, the first header
 * that can be trusted ends it: passing over a real one would lose a frame, heeding a false one costs at most the rest of a record.
 */
class BasebandDecoder implements Decoder {
  readonly #next: Receiver;
  readonly #isi: number | undefined;
  readonly #buffer = new RollingBuffer();
  /** Offset in the recording of `#buffer.bytes[0]`. */
  #base = 0;
  #onGrid = false;
  /** Bytes of a fixed record, 0 for variable ones, -1 while not known. */
  #pitch = -1;
  /** Kinds of header met so far: a further one of them needs no witness. */
  readonly #kinds = new Set<number>();
  /** The stream handed on; -1 until it is met. */
  #stream = -1;
  #lastDataBytes = 0;
  /** Bytes were passed over since the last data field handed on. */
  #lost = false;
  readonly #counts = { frames: 0, headersDamaged: 0, cut: 0, otherStreams: 0, garbageBytes: 0 };
  readonly #sizes = new Map<number, number>();
  readonly #streams = new Map<number, number>();

  constructor(options: Options, next: Receiver) {
    this.#isi = options.isi;
    this.#next = next;
  }

  push(buffer: Uint8Array, start: number, end: number, at: number): void {
    this.#buffer.append(buffer, start, end);
    this.#base = at + (end - start) - this.#buffer.end;
    this.#process(false);
  }

  gap(): void {
    this.#process(true);
    this.#lost = true;
  }

  unitEnd(): void {
    this.#process(true);
  }

  end(): void {
    this.#process(true);
    this.#next.end();
  }

  counts(): LayerCounts {
    const counts: Record<string, number> = { ...this.#counts };
    for (const [bytes, times] of this.#sizes) counts[`record of ${bytes} bytes`] = times;
    for (const [stream, times] of this.#streams) counts[streamName(stream)] = times;
    return counts;
  }

  #process(final: boolean): void {
    const buffer = this.#buffer;
    while (buffer.length > 0 && (this.#onGrid ? this.#follow(final) : this.#hunt(final)));
    if (!final) return;
    this.#passOver(buffer.end);
    buffer.clear();
    this.#onGrid = false;
  }

  #hunt(final: boolean): boolean {
    const { bytes, start, end } = this.#buffer;
    const last = end - (final ? HEADER_BYTES : LOOKAHEAD_BYTES);
    let at = start;
    const isFirst = (): boolean => this.#kinds.size === 0 && this.#hasWitness(at, at + LOOKAHEAD_BYTES, final);
    while (at <= last && !this.#isTrusted(at, final) && !isFirst()) at++;
    this.#passOver(at);
    if (at > last) return false;
    this.#addKind(kindAt(bytes, at));
    this.#onGrid = true;
    return true;
  }

  #addKind(kind: number): void {
    if (this.#kinds.size < MAX_KINDS) this.#kinds.add(kind);
  }

  #passOver(index: number): void {
    const passed = index - this.#buffer.start;
    if (passed <= 0) return;
    this.#counts.garbageBytes += passed;
    this.#lost = true;
    this.#buffer.start = index;
  }

  /** A good header stands at the buffer's start: hands its data on, once it is known where the record ends. */
  #follow(final: boolean): boolean {
    const { bytes, start, end } = this.#buffer;
    const dataEnd = dataEndAt(bytes, start);
    const recordEnd = start + this.#recordBytes(start);
    if (!final && recordEnd + HEADER_BYTES > end) return false;
    // Behind the data field first: padding holds no header, but on a mistaken grid the next frame but one may well begin there.
    const next = this.#isKnown(dataEnd) ? dataEnd : recordEnd;
    if (!this.#isKnown(next)) return this.#resynchronise(final);
    this.#learnPitch(next - start);
    this.#emit(start, dataEnd);
    this.#buffer.start = next;
    return true;
  }

  #learnPitch(bytes: number): void {
    if (bytes !== this.#pitch) this.#pitch = KBCH_BYTES.includes(bytes) ? bytes : 0;
  }

  /** The next header is not where it should be: it is damaged, or bytes are missing, or garbage came between. */
  #resynchronise(final: boolean): boolean {
    const { bytes, start, end } = this.#buffer;
    const sight = start + LOOKAHEAD_BYTES;
    if (!final && end < sight) return false;
    const dataEnd = dataEndAt(bytes, start);
    const due = [dataEnd, start + this.#recordBytes(start)].find((at) => this.#hasWitness(at, sight, final));
    if (due !== undefined) {
      // A kind of header that was not met before, in its place.
      this.#addKind(kindAt(bytes, due));
      this.#learnPitch(due - start);
      this.#emit(start, dataEnd);
      this.#buffer.start = due;
      return true;
    }
    // A first frame that fills its data field tells the size of the fixed records, if they are fixed.
    if (this.#pitch < 0 && KBCH_BYTES.includes(dataEnd - start)) this.#pitch = dataEnd - start;
    // Behind the data, and in its place: what looks like a header inside the data is then just that.
    let next = this.#findOnGrid(final);
    if (next < 0) next = this.#findHeader(dataEnd, final);
    let whole = next === dataEnd || (next >= 0 && this.#isOnGrid(next));
    if (!whole) {
      next = this.#findHeader(start + HEADER_BYTES, final);
      whole = next >= dataEnd && KBCH_BYTES.includes(next - start);
    }
    if (whole && (this.#pitch <= 0 || !this.#isOnGrid(next))) this.#learnPitch(next - start);
    const until = Math.min(dataEnd, next < 0 ? end : next);
    if (until < dataEnd) this.#counts.cut++;
    this.#emit(start, until);
    const size = this.#recordBytes(start);
    if (whole) {
      for (let at = start + size; at < next; at += size) this.#emitDamaged(at, size);
      this.#buffer.start = next;
    } else {
      // Where no header is near, the search goes on behind the record.
      const onward = Math.min(next < 0 ? start + size : next, end);
      this.#buffer.start = Math.min(start + size, onward);
      this.#passOver(onward);
      this.#lost = true;
    }
    this.#onGrid = false;
    return true;
  }

  /** The next header on the grid, a few damaged ones before it or not, if a second one bears the grid out; else -1. */
  #findOnGrid(final: boolean): number {
    const { start, end } = this.#buffer;
    const pitch = this.#pitch;
    if (pitch <= 0 || pitch !== this.#recordBytes(start)) return -1;
    const limit = Math.min(end, start + Math.min(SEARCH_BYTES, MAX_DAMAGED * pitch));
    let next = -1;
    for (let at = start + pitch; at <= limit; at += pitch) {
      if (!(final && at === end) && !this.#isTrusted(at, final)) continue;
      if (next >= 0) return next;
      next = at;
    }
    return -1;
  }

  /** The first header from `from` on that can be trusted and is near; when there is none, the recording's end or, before it, -1. */
  #findHeader(from: number, final: boolean): number {
    const { start, end } = this.#buffer;
    const limit = Math.min(end, start + SEARCH_BYTES);
    for (let at = from; at <= limit; at++) if (this.#isTrusted(at, final)) return at;
    return final ? end : -1;
  }

  /** Whether `index` is whole fixed records away from the buffer's start: one, while their size is not known. */
  #isOnGrid(index: number): boolean {
    const { start } = this.#buffer;
    const bytes = index - start;
    const size = this.#recordBytes(start);
    return this.#pitch < 0 ? bytes >= size && KBCH_BYTES.includes(bytes) : this.#pitch === size && bytes % size === 0;
  }

  #recordBytes(at: number): number {
    return Math.max(this.#pitch, dataEndAt(this.#buffer.bytes, at) - at);
  }

  #isHeader(at: number): boolean {
    return at + HEADER_BYTES <= this.#buffer.end && isHeaderAt(this.#buffer.bytes, at);
  }

  #isKnown(at: number): boolean {
    return this.#isHeader(at) && this.#kinds.has(kindAt(this.#buffer.bytes, at));
  }

  /** Whether a header stands at `at` that is no accident, wherever it is: of a known kind, or followed by another of its kind. */
  #isTrusted(at: number, final: boolean): boolean {
    const { bytes } = this.#buffer;
    if (!this.#isHeader(at)) return false;
    // GSE-HEM states too little to be known by.
    return (bytes[at]! >> 6 !== STREAM_TYPE.hem && this.#isKnown(at)) || this.#isFollowed(at, final);
  }

  /**
   * Whether a header stands at `at` that has a second one of its kind before `sight`: enough where a header is due, and for the
   * first of all. The last bytes have little behind them: there the 16 zero bits of UPL must do. The header of an empty frame is
   * never enough: it is mostly zeros, and so may be what stands a byte before a real one.
   */
  #hasWitness(at: number, sight: number, final: boolean): boolean {
    const { bytes, end } = this.#buffer;
    if (!this.#isHeader(at) || dataEndAt(bytes, at) === at + HEADER_BYTES) return false;
    const type = bytes[at]! >> 6;
    if (type === STREAM_TYPE.hem) return false;
    if (type === STREAM_TYPE.continuous && final) return true;
    const limit = Math.min(end, sight) - HEADER_BYTES;
    for (let other = at + HEADER_BYTES, seen = 0; other <= limit && seen < MAX_WITNESSES; other++) {
      if (!isHeaderAt(bytes, other)) continue;
      if (kindAt(bytes, other) === kindAt(bytes, at)) return true;
      seen++;
    }
    return false;
  }

  /** Whether just behind the record at `at`, variable or fixed, there is another header of its kind, or the end after padding. */
  #isFollowed(at: number, final: boolean): boolean {
    const { bytes, end } = this.#buffer;
    const kind = kindAt(bytes, at);
    const dataEnd = dataEndAt(bytes, at);
    return [dataEnd, ...KBCH_BYTES.map((kbch) => at + kbch)].some((next) => {
      if (next < dataEnd || next > end) return false;
      if (final && next === end) return bytes.subarray(dataEnd, end).every((byte) => byte === 0);
      return this.#isHeader(next) && kindAt(bytes, next) === kind;
    });
  }

  /** Hands on the data field of the record at `at`, up to `dataEnd`, if it is of the stream chosen. */
  #emit(at: number, dataEnd: number): void {
    const { bytes } = this.#buffer;
    this.#counts.frames++;
    const stream = streamAt(bytes, at);
    this.#streams.set(stream, (this.#streams.get(stream) ?? 0) + 1);
    const size = this.#recordBytes(at);
    this.#sizes.set(size, (this.#sizes.get(size) ?? 0) + 1);
    const single = (stream & 256) !== 0;
    if (this.#stream < 0 && (this.#isi === undefined || single || this.#isi === (stream & 255))) this.#stream = stream;
    if (stream !== this.#stream) {
      this.#counts.otherStreams++;
      return;
    }
    this.#lastDataBytes = dataEndAt(bytes, at) - at - HEADER_BYTES || this.#lastDataBytes;
    this.#handOn(at + HEADER_BYTES, dataEnd, firstUnitAt(bytes, at));
  }

  /** Only the header is damaged: hands on what the record carries, which proves itself, unless it may be of another stream. */
  #emitDamaged(at: number, size: number): void {
    this.#counts.headersDamaged++;
    const isOwn = this.#streams.size === 1 || streamAt(this.#buffer.bytes, at) === this.#stream;
    if (this.#stream < 0 || !isOwn) return;
    this.#handOn(at + HEADER_BYTES, at + Math.min(size, HEADER_BYTES + this.#lastDataBytes), -1);
  }

  #handOn(start: number, end: number, unitStart: number): void {
    if (end <= start) return;
    if (this.#lost) this.#next.gap();
    this.#lost = false;
    this.#next.push(this.#buffer.bytes, start, end, this.#base + start, unitStart < end ? unitStart : -1);
    this.#next.unitEnd();
  }
}

/**
 * Packs units into generic continuous baseband frames (single input stream, CCM, roll-off 0.35). Units that may not be divided
 * each lie in one data field, which then may end early.
 */
class BasebandEncoder implements Encoder {
  readonly #emit: (frame: Uint8Array) => void;
  readonly #pad: boolean;
  readonly #field: Uint8Array;
  #used = 0;
  #firstStart = -1;

  constructor(options: Options, emit: (frame: Uint8Array) => void) {
    this.#emit = emit;
    this.#pad = options.record !== 'variable';
    this.#field = new Uint8Array((options.frame ?? 4026) - HEADER_BYTES);
  }

  /** @throws UsageError when a unit that may not be divided is longer than the data field */
  push(unit: Uint8Array, divisible = false): void {
    const capacity = this.#field.length;
    if (unit.length === 0) return;
    if (!divisible && unit.length > capacity) {
      const advice = 'name the layer stream after it, or choose a larger dvb-s2.frame';
      throw new UsageError(`dvb-s2: ${unit.length} bytes do not fit a data field of ${capacity}; ${advice}`);
    }
    if (this.#used + (divisible ? 1 : unit.length) > capacity) this.flush();
    if (this.#firstStart < 0) this.#firstStart = this.#used;
    for (let from = 0; from < unit.length; ) {
      if (this.#used === capacity) this.flush();
      const size = Math.min(unit.length - from, capacity - this.#used);
      this.#field.set(unit.subarray(from, from + size), this.#used);
      this.#used += size;
      from += size;
    }
  }

  flush(): void {
    if (this.#used === 0) return;
    const header = writeBasebandHeader({
      matype1: (STREAM_TYPE.continuous << 6) | (1 << 5) | (1 << 4),
      matype2: 0,
      upl: 0,
      dfl: this.#used * 8,
      sync: 0,
      syncd: this.#firstStart < 0 ? NO_SYNC : this.#firstStart * 8,
    });
    const frame = new Uint8Array(HEADER_BYTES + (this.#pad ? this.#field.length : this.#used));
    frame.set(header);
    frame.set(this.#field.subarray(0, this.#used), HEADER_BYTES);
    this.#emit(frame);
    this.#used = 0;
    this.#firstStart = -1;
  }
}
