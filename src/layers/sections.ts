// Sections in transport stream packets (ISO/IEC 13818-1, 2.4.4): found by the pointer, joined across packets, proven by CRC-32.
import { makeCrc } from '../bytes/crc.js';
import { CRC_CATALOGUE } from '../bytes/crc-catalogue.js';
import { UsageError } from '../errors.js';
import type { LocatedBuffer } from './located-buffer.js';

const HEADER_BYTES = 3;
/** Bytes before the body of a section with the long header. */
export const LONG_HEADER_BYTES = 8;
export const CRC_BYTES = 4;
/** Of a private section; one of the standard's own tables is shorter. */
const MAX_BYTES = HEADER_BYTES + 4093;
/** In place of a table_id: the rest of the packet is stuffing. */
const STUFFING = 0xff;

const crc32 = makeCrc(CRC_CATALOGUE['CRC-32/MPEG-2']);

/** Takes whole sections, `bytes[0, end)`, CRC-32 right; lent for the call. `at` = offset in the recording of the first byte. */
export type SectionSink = (bytes: Uint8Array, end: number, at: number) => void;

/** Joins sections; holds one, at most 4096 bytes. */
export class SectionDecoder {
  readonly #sink: SectionSink;
  readonly #bytes = Buffer.alloc(MAX_BYTES);
  #used = 0;
  #at = 0;
  #isOpen = false;
  readonly counts = { sections: 0, crc32Wrong: 0, withoutCrc: 0, malformed: 0, cut: 0 };

  constructor(sink: SectionSink) {
    this.#sink = sink;
  }

  /** @param starts payload_unit_start_indicator: the first byte points to the first section that starts */
  payload(source: LocatedBuffer, start: number, end: number, starts: boolean): void {
    const { bytes } = source;
    if (!starts) {
      // A section cannot start here: what follows the open one is stuffing.
      if (this.#isOpen) this.#continue(bytes, start, end);
      return;
    }
    const first = start + 1 + bytes[start]!;
    if (first > end) {
      this.counts.malformed++;
      this.gap();
      return;
    }
    if (this.#isOpen) this.#continue(bytes, start + 1, first);
    this.gap();
    for (let from = first; from < end && bytes[from] !== STUFFING; ) {
      this.#isOpen = true;
      this.#at = source.offsetOf(from);
      from = this.#continue(bytes, from, end);
    }
  }

  /** What is half received is lost. */
  gap(): void {
    if (this.#isOpen) this.counts.cut++;
    this.#isOpen = false;
    this.#used = 0;
  }

  /** Takes what the open section still needs; returns where it went to. */
  #continue(bytes: Buffer, start: number, end: number): number {
    let from = start;
    while (this.#isOpen && from < end) {
      const until = Math.min(end, from + this.#missing());
      this.#used += bytes.copy(this.#bytes, this.#used, from, until);
      from = until;
      if (this.#used >= HEADER_BYTES && this.#missing() <= 0) this.#finish();
    }
    return this.#isOpen ? end : from;
  }

  #missing(): number {
    if (this.#used < HEADER_BYTES) return HEADER_BYTES - this.#used;
    return HEADER_BYTES + (this.#bytes.readUInt16BE(1) & 0xfff) - this.#used;
  }

  #finish(): void {
    const end = this.#used;
    const hasCrc = (this.#bytes[1]! & 0x80) !== 0;
    this.#isOpen = false;
    this.#used = 0;
    if (!hasCrc) this.counts.withoutCrc++;
    else if (end < LONG_HEADER_BYTES + CRC_BYTES) this.counts.malformed++;
    else if (crc32(this.#bytes, 0, end) !== 0) this.counts.crc32Wrong++;
    else {
      this.counts.sections++;
      this.#sink(this.#bytes, end, this.#at);
    }
  }
}

/** The fields of a section with the long header, besides its lengths. */
export type SectionHeader = {
  tableId: number;
  /** Bits 6 to 4 of the second byte: private indicator and two reserved bits. Default 3, only the reserved bits set. */
  flags?: number;
  /** Bytes 3 and 4: table_id_extension. Default 0. */
  extension?: number;
  /** Byte 5: version and current_next_indicator. Default 0xc1. */
  version?: number;
};

/**
 * Writes a section: long header, body, CRC-32.
 *
 * @throws UsageError when the body is longer than 4084 bytes
 */
export function writeSection(header: SectionHeader, body: Uint8Array): Uint8Array {
  const { tableId, flags = 3, extension = 0, version = 0xc1 } = header;
  const section = Buffer.alloc(LONG_HEADER_BYTES + body.length + CRC_BYTES);
  if (section.length > MAX_BYTES) {
    const limit = MAX_BYTES - LONG_HEADER_BYTES - CRC_BYTES;
    throw new UsageError(`ts: ${body.length} bytes do not fit a section, which holds ${limit}`);
  }
  section[0] = tableId;
  section.writeUInt16BE(0x8000 | (flags << 12) | (section.length - HEADER_BYTES), 1);
  section.writeUInt16BE(extension, 3);
  section[5] = version;
  section.set(body, LONG_HEADER_BYTES);
  section.writeUInt32BE(crc32(section, 0, section.length - CRC_BYTES), section.length - CRC_BYTES);
  return section;
}
