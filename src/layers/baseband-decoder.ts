// Finds DVB-S2 baseband frames (EN 302 307-1, 5.1.6) in a byte stream by content and checks their headers' CRC-8. Records may be
// fixed (Kbch / 8 bytes, padded) or variable (10 + DFL / 8 bytes), have a mode adaptation header before each frame, or be scrambled
// still: which of it is found out.
import { RollingBuffer } from '../bytes/rolling-buffer.js';
import { DataFields } from './baseband-fields.js';
import { findFollower, learnAhead } from './baseband-follower.js';
import { HEADER_BYTES, KBCH_BYTES } from './baseband-header.js';
import { addScrambler, type HeaderReader, PLAIN_HEADERS, SCRAMBLED_HEADERS } from './baseband-scrambler.js';
import type { Decoder, LayerCounts, Receiver } from './layer.js';
import { MODE_ADAPTATION_BYTES, mayEndAt, modeAdaptationType } from './mode-adaptation.js';

export type BasebandDecoderOptions = {
  /** Input stream identifier; absent = the first one seen. */
  isi?: number | undefined;
};

const LONGEST_FRAME = Math.max(...KBCH_BYTES);
const LONGEST_AHEAD = Math.max(...MODE_ADAPTATION_BYTES);
/** How far the next header, or a second one as a witness, is looked for: four of the longest frames. */
const SEARCH_BYTES = 4 * LONGEST_FRAME;
/** Where a search decides it sees this far, however the stream was cut into blocks: so the cutting changes nothing. */
const LOOKAHEAD_BYTES = LONGEST_AHEAD + LONGEST_FRAME + SEARCH_BYTES + HEADER_BYTES;
/** What waits does so where CRCs are fast. */
const ROOM_BYTES = 1 << 18;
/** Appended to what waits from the last block, to bring it to its end. */
const BRIDGE_BYTES = 2 * LONGEST_FRAME;
/** Bounds on what crafted input can cost: headers looked at for one witness, kinds remembered. */
const MAX_WITNESSES = 64;
const MAX_KINDS = 16;
/** How often headers are looked at for the mode adaptation header. */
const MAX_LOOKS = 64;
/** L.4 has no sync byte to be known by. */
const UNMARKED_AHEAD = 3;
/** Damaged headers in a row over which the grid of fixed records is trusted more than what looks like a header off it. */
const MAX_DAMAGED = 8;

/**
 * Searching (`#onGrid` false), or with a good header at the buffer's start. Wherever a record's end is in doubt, the first header
 * that can be trusted ends it: passing over a real one would lose a frame, heeding a false one costs at most the rest of a record.
 * A record is reckoned from baseband header to baseband header: the mode adaptation header of the next frame stands at its end.
 */
export class BasebandDecoder implements Decoder {
  readonly #next: Receiver;
  readonly #fields: DataFields;
  readonly #buffer = new RollingBuffer(ROOM_BYTES);
  /** Offset in the recording of `#buffer.bytes[0]`. */
  #base = 0;
  #onGrid = false;
  /** Where the bytes began in which no header was met yet; -1 once one was, -2 before the first byte. */
  #freshAt = -2;
  #ahead = 0; // bytes of the mode adaptation header; 0 while not known
  #isAheadKnown = false;
  #looks = 0;
  /** Bytes of a fixed record, 0 for variable ones, -1 while not known. */
  #pitch = -1;
  #headers: HeaderReader = PLAIN_HEADERS;
  /** Kinds of header met so far: a further one of them needs no witness. */
  readonly #kinds = new Set<number>();

  constructor(options: BasebandDecoderOptions, next: Receiver) {
    this.#next = next;
    this.#fields = new DataFields(next, options.isi);
  }

  push(buffer: Uint8Array, start: number, end: number, at: number): void {
    if (this.#freshAt === -2) this.#freshAt = at;
    for (let from = start; from < end; ) {
      if (this.#buffer.length === 0 && this.#mayLookInPlace) {
        this.#buffer.borrow(buffer, from, end);
        this.#base = at - start;
        this.#process(false);
        from = end - this.#buffer.giveBack();
        this.#append(buffer, from, end, at + from - start);
        return;
      }
      // What waits is brought to its end with the next bytes; the rest is then looked at where it lies.
      const to = Math.min(end, from + BRIDGE_BYTES);
      this.#append(buffer, from, to, at + from - start);
      const isOwn = this.#buffer.length <= to - from;
      from = isOwn && this.#mayLookInPlace ? to - this.#buffer.giveBack() : to;
    }
  }

  get #mayLookInPlace(): boolean {
    return this.#onGrid && this.#headers === PLAIN_HEADERS;
  }

  #append(buffer: Uint8Array, start: number, end: number, at: number): void {
    this.#buffer.append(buffer, start, end);
    this.#base = at + (end - start) - this.#buffer.end;
    if (end > start) this.#process(false);
  }

  gap(): void {
    this.#process(true);
    this.#fields.lose();
  }

  unitEnd(): void {
    this.#process(true);
  }

  end(): void {
    this.unitEnd();
    this.#next.end();
    this.#buffer.release();
  }

  counts(): LayerCounts {
    const { frames } = this.#fields;
    return {
      ...this.#fields.counts(),
      ...(this.#ahead > 0 && { [`mode adaptation ${modeAdaptationType(this.#ahead)}`]: frames }),
      ...(this.#headers === SCRAMBLED_HEADERS && { scrambled: frames }),
    };
  }

  #process(final: boolean): void {
    const buffer = this.#buffer;
    while (buffer.length > 0 && (this.#onGrid ? this.#follow(final) : this.#hunt(final)));
    if (!final) return;
    this.#passOver(buffer.end);
    buffer.clear();
    this.#onGrid = false;
    this.#freshAt = -2;
  }

  #hunt(final: boolean): boolean {
    const { bytes, start, end } = this.#buffer;
    const last = end - (final ? HEADER_BYTES : LOOKAHEAD_BYTES);
    let at = start;
    while (at <= last && !this.#isStart(at, final)) at++;
    if (at > last) {
      // The last bytes may be the mode adaptation header of the first frame.
      this.#passOver(Math.max(start, at - LONGEST_AHEAD));
      return false;
    }
    if (!this.#isAheadKnown) this.#learnAhead(at, final);
    this.#passOver(this.#freshAt >= 0 ? Math.max(start, at - this.#ahead) : at);
    this.#freshAt = -1;
    this.#buffer.start = at;
    this.#addKind(this.#headers.kindAt(bytes, at));
    this.#onGrid = true;
    return true;
  }

  /** Whether a header stands at `at` to begin with: one that can be trusted, or the first of all, scrambled or not. */
  #isStart(at: number, final: boolean): boolean {
    const { bytes } = this.#buffer;
    const isUnmet = this.#kinds.size === 0;
    if (this.#headers.isHeaderAt(bytes, at)) {
      return this.#isTrusted(at, final) || (isUnmet && this.#hasWitness(at, at + LOOKAHEAD_BYTES, final));
    }
    if (!isUnmet || !SCRAMBLED_HEADERS.isHeaderAt(bytes, at)) return false;
    this.#headers = SCRAMBLED_HEADERS;
    if (this.#isTwiceFollowed(at)) return true;
    this.#headers = PLAIN_HEADERS;
    return false;
  }

  /**
   * Finds out how many bytes stand before each baseband header, by how far the headers from `at` on are apart; where one is alone, by
   * the sync byte that a recording begins with.
   */
  #learnAhead(at: number, final: boolean): void {
    if (this.#looks++ > MAX_LOOKS) return;
    const { bytes, start, end } = this.#buffer;
    const limit = Math.min(end, at + LOOKAHEAD_BYTES) - HEADER_BYTES;
    const told = learnAhead(bytes, this.#headers, at, limit);
    if (told !== undefined) {
      this.#ahead = told;
    } else {
      const before = at - start;
      const isWholeStart = final && this.#base + start === this.#freshAt && MODE_ADAPTATION_BYTES.includes(before);
      if (!isWholeStart || before === 0 || before === UNMARKED_AHEAD || !mayEndAt(bytes, at, before)) return;
      this.#ahead = before;
    }
    this.#isAheadKnown = true;
    this.#pitch = -1;
  }

  /** Stronger than a witness, since noise offers twice as many accidents where it is read both ways: three headers in their places. */
  #isTwiceFollowed(at: number): boolean {
    const { dataEndAt, isTellingAt } = this.#headers;
    const { bytes } = this.#buffer;
    const isSound = (place: number): boolean =>
      this.#isHeader(place) && isTellingAt(bytes, place) && dataEndAt(bytes, place) > place + HEADER_BYTES;
    const limit = Math.min(this.#buffer.end - HEADER_BYTES, at + LOOKAHEAD_BYTES);
    const second = isSound(at) ? findFollower(bytes, this.#headers, at, limit) : undefined;
    if (!second?.isSameKind || !isSound(second.at)) return false;
    return findFollower(bytes, this.#headers, second.at, limit)?.isSameKind === true;
  }

  #addKind(kind: number): void {
    if (this.#kinds.size < MAX_KINDS) this.#kinds.add(kind);
  }

  #passOver(index: number): void {
    const passed = index - this.#buffer.start;
    if (passed <= 0) return;
    this.#fields.lose(passed);
    this.#buffer.start = index;
  }

  /** A good header stands at the buffer's start: hands its data on, once it is known where the record ends. */
  #follow(final: boolean): boolean {
    const { bytes, start, end } = this.#buffer;
    const dataEnd = this.#headers.dataEndAt(bytes, start);
    const recordEnd = start + this.#recordBytes(start);
    if (!final && recordEnd + HEADER_BYTES > end) return false;
    if (recordEnd === dataEnd + this.#ahead && this.#followTrain()) return true;
    // Behind the data field first: padding holds no header, but on a mistaken grid the next frame but one may well begin there.
    const next = this.#isKnown(dataEnd + this.#ahead) ? dataEnd + this.#ahead : recordEnd;
    if (!this.#isKnown(next)) return this.#resynchronise(final);
    this.#learnPitch(next - start);
    this.#emit(start, dataEnd);
    this.#buffer.start = next;
    return true;
  }

  /** The same of frames without padding, those of the same header that are taken at once. */
  #followTrain(): boolean {
    const { bytes, start, end } = this.#buffer;
    if (!this.#mayLookInPlace || !this.#isKnown(start)) return false;
    const pitch = this.#recordBytes(start);
    const count = Math.floor((end - start - HEADER_BYTES) / pitch);
    const taken = this.#fields.takeTrain(bytes, start, pitch, count, pitch - this.#ahead, this.#base + start);
    if (taken > 0) this.#learnPitch(pitch);
    this.#buffer.start += taken * pitch;
    return taken > 0;
  }

  /** Whether fixed records can be so long. */
  #isFixed(bytes: number): boolean {
    return KBCH_BYTES.includes(bytes - this.#ahead);
  }

  #learnPitch(bytes: number): void {
    if (bytes !== this.#pitch) this.#pitch = this.#isFixed(bytes) ? bytes : 0;
  }

  /** The next header is not where it should be: it is damaged, or bytes are missing, or garbage came between. */
  #resynchronise(final: boolean): boolean {
    const { bytes, start, end } = this.#buffer;
    const ahead = this.#ahead;
    const sight = start + LOOKAHEAD_BYTES;
    if (!final && end < sight) return false;
    const dataEnd = this.#headers.dataEndAt(bytes, start);
    const due = [dataEnd + ahead, start + this.#recordBytes(start)].find((at) => this.#hasWitness(at, sight, final));
    if (due !== undefined) {
      // A kind of header that was not met before, in its place.
      this.#addKind(this.#headers.kindAt(bytes, due));
      this.#learnPitch(due - start);
      this.#emit(start, dataEnd);
      this.#buffer.start = due;
      return true;
    }
    // A first frame that fills its data field tells the size of the fixed records, if they are fixed.
    if (this.#pitch < 0 && this.#isFixed(dataEnd + ahead - start)) this.#pitch = dataEnd + ahead - start;
    // Behind the data, and in its place: what looks like a header inside the data is then just that.
    let next = this.#findOnGrid(final);
    if (next < 0) next = this.#findHeader(dataEnd, final);
    let whole = next === dataEnd + ahead || (next >= 0 && this.#isOnGrid(next));
    if (!whole) {
      next = this.#findHeader(start + HEADER_BYTES, final);
      whole = next >= dataEnd && this.#isFixed(next - start);
    }
    if (whole && (this.#pitch <= 0 || !this.#isOnGrid(next))) this.#learnPitch(next - start);
    const until = Math.min(end, next < 0 || next >= dataEnd ? dataEnd : next - ahead);
    const size = this.#recordBytes(start);
    this.#emit(start, until);
    if (whole) {
      for (let at = start + size; at < next; at += size) this.#emitDamaged(at, size - ahead);
      this.#buffer.start = Math.min(next, end);
    } else {
      // Where no header is near, the search goes on behind the record.
      const onward = Math.min(next < 0 ? start + size : next, end);
      this.#buffer.start = Math.min(start + size, onward);
      this.#passOver(onward);
      this.#fields.lose();
    }
    this.#onGrid = false;
    return true;
  }

  /** The next header on the grid, a few damaged ones before it or not, if a second one bears the grid out; else -1. */
  #findOnGrid(final: boolean): number {
    const { start } = this.#buffer;
    const pitch = this.#pitch;
    if (pitch <= 0 || pitch !== this.#recordBytes(start)) return -1;
    const limit = Math.min(this.#recordsEnd(final), start + Math.min(SEARCH_BYTES, MAX_DAMAGED * pitch));
    let next = -1;
    for (let at = start + pitch; at <= limit; at += pitch) {
      if (!(final && at === this.#recordsEnd(final)) && !this.#isTrusted(at, final)) continue;
      if (next >= 0) return next;
      next = at;
    }
    return -1;
  }

  /** Where the last record ends: with the bytes that are there, but for the mode adaptation header of a frame that did not come. */
  #recordsEnd(final: boolean): number {
    return this.#buffer.end + (final ? this.#ahead : 0);
  }

  /**
   * The first header from `from` on that can be trusted and is near; when there is none, where the last record ends if that is
   * near, else -1.
   */
  #findHeader(from: number, final: boolean): number {
    const { start, end } = this.#buffer;
    const limit = Math.min(end, start + SEARCH_BYTES);
    for (let at = from; at <= limit; at++) if (this.#isTrusted(at, final)) return at;
    return final && limit === end ? this.#recordsEnd(final) : -1;
  }

  /** Whether `index` is whole fixed records away from the buffer's start: one, while their size is not known. */
  #isOnGrid(index: number): boolean {
    const { start } = this.#buffer;
    const bytes = index - start;
    const size = this.#recordBytes(start);
    return this.#pitch < 0 ? bytes >= size && this.#isFixed(bytes) : this.#pitch === size && bytes % size === 0;
  }

  /** From the header at `at` to where the next one is due. */
  #recordBytes(at: number): number {
    return Math.max(this.#pitch, this.#headers.dataEndAt(this.#buffer.bytes, at) + this.#ahead - at);
  }

  #isHeader(at: number): boolean {
    return at + HEADER_BYTES <= this.#buffer.end && this.#headers.isHeaderAt(this.#buffer.bytes, at);
  }

  #isKnown(at: number): boolean {
    return this.#isHeader(at) && this.#kinds.has(this.#headers.kindAt(this.#buffer.bytes, at));
  }

  /** Whether a header stands at `at` that is no accident, wherever it is: of a known kind, or followed by another of its kind. */
  #isTrusted(at: number, final: boolean): boolean {
    if (!this.#isHeader(at)) return false;
    return (this.#headers.isTellingAt(this.#buffer.bytes, at) && this.#isKnown(at)) || this.#isFollowed(at, final);
  }

  /**
   * Whether a header stands at `at` that has a second one of its kind before `sight`: enough where a header is due, and for the
   * first of all. The last bytes have little behind them: there the 16 zero bits of UPL must do. The header of an empty frame is
   * never enough: it is mostly zeros, and so may be what stands a byte before a real one.
   */
  #hasWitness(at: number, sight: number, final: boolean): boolean {
    const { bytes, end } = this.#buffer;
    const headers = this.#headers;
    if (!this.#isHeader(at) || headers.dataEndAt(bytes, at) === at + HEADER_BYTES) return false;
    if (!headers.isTellingAt(bytes, at)) return false;
    const kind = headers.kindAt(bytes, at);
    if ((kind & 0xffff) === 0 && final) return true;
    const limit = Math.min(end, sight) - HEADER_BYTES;
    for (let other = at + HEADER_BYTES, seen = 0; other <= limit && seen < MAX_WITNESSES; other++) {
      if (!headers.isHeaderAt(bytes, other)) continue;
      if (headers.kindAt(bytes, other) === kind) return true;
      seen++;
    }
    return false;
  }

  /** Whether just behind the record at `at`, variable or fixed, there is another header of its kind, or the end after padding. */
  #isFollowed(at: number, final: boolean): boolean {
    const { bytes, end } = this.#buffer;
    const kind = this.#headers.kindAt(bytes, at);
    const dataEnd = this.#headers.dataEndAt(bytes, at);
    const ends = [dataEnd, ...KBCH_BYTES.map((kbch) => at + kbch)];
    const mayBeLast = final && (this.#kinds.size === 0 || this.#kinds.has(kind));
    if (mayBeLast && ends.includes(end) && end >= dataEnd && bytes.subarray(dataEnd, end).every((b) => b === 0))
      return true;
    const aheads = this.#isAheadKnown ? [this.#ahead] : MODE_ADAPTATION_BYTES;
    return aheads.some((ahead) =>
      ends.some((recordEnd) => {
        const next = recordEnd + ahead;
        if (recordEnd < dataEnd || !this.#isHeader(next) || this.#headers.kindAt(bytes, next) !== kind) return false;
        return this.#isAheadKnown || mayEndAt(bytes, next, ahead);
      }),
    );
  }

  /** `until`: the end of the data field, or where it is cut off. */
  #emit(at: number, until: number): void {
    const { bytes } = this.#buffer;
    const frameBytes = this.#recordBytes(at) - this.#ahead;
    if (this.#headers === SCRAMBLED_HEADERS) addScrambler(bytes, at, until);
    this.#fields.take(bytes, at, until, frameBytes, this.#base + at);
  }

  #emitDamaged(at: number, frameBytes: number): void {
    const { bytes } = this.#buffer;
    if (this.#headers === SCRAMBLED_HEADERS) addScrambler(bytes, at, at + frameBytes);
    this.#fields.takeDamaged(bytes, at, frameBytes, this.#base + at);
  }
}
