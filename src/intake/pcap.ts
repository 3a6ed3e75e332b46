// The classic capture format, pcap, read and written: microseconds or nanoseconds, either byte order. Common practice, as laid down in
// draft-ietf-opsawg-pcap. Records have nothing to find them by: each one is believed when another plausible header follows it,
// and behind damage a header is looked for that fits the last record's time, or forms a chain of two.
import { Parser } from 'binary-parser';
import { RollingBuffer } from '../bytes/rolling-buffer.js';
import { type CaptureParser, MAX_PACKET_BYTES, type PacketSink } from './capture-parser.js';

export const PCAP_HEADER_BYTES = 24;
const RECORD_HEADER_BYTES = 16;

const MICROSECONDS = 0xa1b2c3d4;
const NANOSECONDS = 0xa1b23c4d;

/** Behind damage, of two records that are more than a day apart one is none. */
const MAX_STEP_SECONDS = 86_400;

export type PcapHeader = {
  magic: number;
  major: number;
  minor: number;
  zone: number;
  accuracy: number;
  snapLength: number;
  linkType: number;
};

export type PcapRecordHeader = { seconds: number; fraction: number; captured: number; original: number };

const headerLayout = (order: 'big' | 'little'): Parser =>
  new Parser()
    .endianess(order)
    .uint32('magic') // 0
    .uint16('major') // 4 2
    .uint16('minor') // 6 4
    .uint32('zone') // 8 0
    .uint32('accuracy') // 12 0
    .uint32('snapLength') // 16 bytes of a packet that are kept at most
    .uint32('linkType'); // 20 in the low 16 bits; above them the length of a frame check sequence

const recordLayout = (order: 'big' | 'little'): Parser =>
  new Parser()
    .endianess(order)
    .uint32('seconds') // 0 since 1970 UTC, unsigned
    .uint32('fraction') // 4 micro- or nanoseconds
    .uint32('captured') // 8 bytes that follow
    .uint32('original'); // 12 bytes of the packet on the link

/** Reads the file header at the start of `bytes`, at least 24; `null` where the magic number is another. */
export function readPcapHeader(bytes: Uint8Array): (PcapHeader & { order: 'big' | 'little' }) | null {
  for (const order of ['little', 'big'] as const) {
    const header = headerLayout(order).parse(bytes) as PcapHeader;
    if (header.magic === MICROSECONDS || header.magic === NANOSECONDS) return { ...header, order };
  }
  return null;
}

/** Reads a record header at the start of `bytes`, at least 16. */
export const readPcapRecordHeader = (bytes: Uint8Array, order: 'big' | 'little'): PcapRecordHeader =>
  recordLayout(order).parse(bytes) as PcapRecordHeader;

/** Goes from record to record; after damage `#isSure` is false until a header has proved itself. */
export class PcapParser implements CaptureParser {
  readonly #sink: PacketSink;
  readonly #buffer = new RollingBuffer();
  #hasHeader = false;
  #isSure = true;
  #isLittle = true;
  #linkType = 0;
  #snapLength = 0;
  #fractions = 1_000_000;
  #latestSeconds = Number.NaN;

  constructor(sink: PacketSink) {
    this.#sink = sink;
  }

  push(bytes: Uint8Array): void {
    this.#buffer.append(bytes, 0, bytes.length);
    this.#process(false);
  }

  end(): void {
    this.#process(true);
    this.#buffer.clear();
  }

  #process(final: boolean): void {
    const buffer = this.#buffer;
    if (!this.#hasHeader) {
      if (buffer.length < PCAP_HEADER_BYTES) return;
      this.#readHeader();
    }
    while (buffer.length >= RECORD_HEADER_BYTES && this.#step(final));
  }

  #readHeader(): void {
    const { bytes, start } = this.#buffer;
    const header = readPcapHeader(bytes.subarray(start, start + PCAP_HEADER_BYTES));
    this.#hasHeader = true;
    // The first bytes were recognised: what else stands there is not worth a failure.
    this.#isLittle = header?.order === 'little';
    this.#fractions = header?.magic === NANOSECONDS ? 1_000_000_000 : 1_000_000;
    this.#snapLength = header?.snapLength ?? 0;
    this.#linkType = (header?.linkType ?? 0) & 0xffff;
    this.#buffer.start += PCAP_HEADER_BYTES;
  }

  /** @returns false when more bytes are needed, or none are left */
  #step(final: boolean): boolean {
    const { bytes, start, end } = this.#buffer;
    if (!this.#isSure) {
      const proof = this.#proofAt(bytes, start, end, final);
      if (proof !== 'yes') return proof === 'no' && this.#search(start + 1, final);
      this.#isSure = true;
    }
    const next = this.#recordEnd(bytes, start);
    if (next < 0) return this.#search(start + 1, final);
    if (!final && next + RECORD_HEADER_BYTES > end) return false;
    const isFollowed = next + RECORD_HEADER_BYTES > end ? next <= end : this.#recordEnd(bytes, next) >= 0;
    if (!isFollowed) return this.#leave(next, final);
    this.#hand(bytes, start, next);
    this.#buffer.start = next;
    return true;
  }

  /** No header follows the record at the buffer's start: its length is damaged, or the next header is. */
  #leave(next: number, final: boolean): boolean {
    const { bytes, start, end } = this.#buffer;
    const limit = Math.min(next, end);
    for (let at = start + 1; at < limit; at++) {
      const proof = this.#proofAt(bytes, at, end, final);
      if (proof === 'more') return false;
      if (proof === 'yes') return this.#goOn(at);
    }
    const isWhole = next <= end && this.#captured(bytes, start) === this.#read(bytes, start + 12);
    if (isWhole) this.#hand(bytes, start, next);
    return this.#goOn(limit);
  }

  /** Looks from `from` on for the next header that proves itself, or may yet do so. */
  #search(from: number, final: boolean): boolean {
    const { bytes, end } = this.#buffer;
    let at = from;
    while (at + RECORD_HEADER_BYTES <= end && this.#proofAt(bytes, at, end, final) === 'no') at++;
    return this.#goOn(final && at + RECORD_HEADER_BYTES > end ? end : at);
  }

  /** What stands from here to `at` is left out; what stands there has to prove itself. A damaged stretch is told once. */
  #goOn(at: number): boolean {
    if (this.#isSure) this.#sink.lost();
    this.#isSure = false;
    this.#buffer.start = at;
    return true;
  }

  /**
   * Whether a header stands at `at`, in the middle of anything: of a time near that of the last record, or of the record that it
   * says follows it. Stricter than for a record in its place: an accident of once in 2^50 bytes.
   */
  #proofAt(bytes: Uint8Array, at: number, end: number, final: boolean): 'yes' | 'no' | 'more' {
    if (at + RECORD_HEADER_BYTES > end) return final ? 'no' : 'more';
    const next = this.#recordEnd(bytes, at);
    if (next < 0 || !this.#isLengthUsual(bytes, at)) return 'no';
    const seconds = this.#read(bytes, at);
    if (Math.abs(seconds - this.#latestSeconds) <= MAX_STEP_SECONDS) return 'yes';
    if (next + RECORD_HEADER_BYTES > end) return final ? (next === end ? 'yes' : 'no') : 'more';
    if (this.#recordEnd(bytes, next) < 0 || !this.#isLengthUsual(bytes, next)) return 'no';
    return Math.abs(seconds - this.#read(bytes, next)) <= MAX_STEP_SECONDS ? 'yes' : 'no';
  }

  /** Index after the record whose header stands at `at`, or -1 when that is no plausible header. */
  #recordEnd(bytes: Uint8Array, at: number): number {
    const captured = this.#captured(bytes, at);
    if (captured === 0 || captured > MAX_PACKET_BYTES || captured > this.#read(bytes, at + 12)) return -1;
    return this.#read(bytes, at + 4) < this.#fractions ? at + RECORD_HEADER_BYTES + captured : -1;
  }

  /** A packet is captured as long as it is, or as long as the snap length allows. */
  #isLengthUsual(bytes: Uint8Array, at: number): boolean {
    const captured = this.#captured(bytes, at);
    return captured === this.#read(bytes, at + 12) || captured === this.#snapLength;
  }

  #captured(bytes: Uint8Array, at: number): number {
    return this.#read(bytes, at + 8);
  }

  #read(bytes: Uint8Array, at: number): number {
    const value = this.#isLittle
      ? bytes[at]! | (bytes[at + 1]! << 8) | (bytes[at + 2]! << 16) | (bytes[at + 3]! << 24)
      : (bytes[at]! << 24) | (bytes[at + 1]! << 16) | (bytes[at + 2]! << 8) | bytes[at + 3]!;
    return value >>> 0;
  }

  #hand(bytes: Uint8Array, start: number, end: number): void {
    this.#latestSeconds = this.#read(bytes, start);
    const time = this.#read(bytes, start) * 1000 + this.#read(bytes, start + 4) / (this.#fractions / 1000);
    const isWhole = this.#captured(bytes, start) === this.#read(bytes, start + 12);
    this.#sink.packet(this.#linkType, bytes, start + RECORD_HEADER_BYTES, end, isWhole, time);
  }
}

export type PcapWriting = {
  readonly linkType: number;
  /** Default little. */
  readonly order?: 'big' | 'little';
  /** Default false: microseconds. */
  readonly nanoseconds?: boolean;
  /** Default 262,144; longer packets are cut. */
  readonly snapLength?: number;
};

/** The file header. */
export function writePcapHeader(writing: PcapWriting): Uint8Array {
  const { linkType, order = 'little', nanoseconds = false, snapLength = MAX_PACKET_BYTES } = writing;
  const bytes = new DataView(new ArrayBuffer(PCAP_HEADER_BYTES));
  const little = order === 'little';
  bytes.setUint32(0, nanoseconds ? NANOSECONDS : MICROSECONDS, little);
  bytes.setUint16(4, 2, little);
  bytes.setUint16(6, 4, little);
  bytes.setUint32(16, snapLength, little);
  bytes.setUint32(20, linkType, little);
  return new Uint8Array(bytes.buffer);
}

/**
 * One record.
 *
 * @param time ms since 1970 UTC
 */
export function writePcapRecord(writing: PcapWriting, packet: Uint8Array, time: number): Uint8Array {
  const { order = 'little', nanoseconds = false, snapLength = MAX_PACKET_BYTES } = writing;
  const captured = Math.min(packet.length, snapLength);
  const record = new Uint8Array(RECORD_HEADER_BYTES + captured);
  const header = new DataView(record.buffer);
  const little = order === 'little';
  header.setUint32(0, Math.floor(time / 1000), little);
  header.setUint32(4, Math.floor((time % 1000) * (nanoseconds ? 1e6 : 1e3)), little);
  header.setUint32(8, captured, little);
  header.setUint32(12, packet.length, little);
  record.set(packet.subarray(0, captured), RECORD_HEADER_BYTES);
  return record;
}
