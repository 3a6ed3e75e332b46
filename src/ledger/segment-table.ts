// Which segments of one content of one file are there, with the CRC-32 of each payload: in memory, rebuilt from the journal.
import { normaliseRanges } from '../bytes/ranges.js';

export interface SegmentTable {
  /** CRC-32 of the payload, or -1 where the segment is not there. */
  crcOf(key: number): number;
  /** Payload bytes, 0 where the segment is not there. */
  lengthOf(key: number): number;
  add(key: number, length: number, crc: number): void;
  remove(key: number): void;
  /** Number of segments there. */
  readonly size: number;
  /** What is there, as half-open ranges of segment numbers or of bytes. */
  ranges(): number[];
  /** Every segment there, by rising key. */
  keys(): Iterable<number>;
}

const PAGE = 4096;

/** Segments named by number: pages of 4,096, so that a false segment number costs one page and not the whole range. */
export class NumberedTable implements SegmentTable {
  readonly #payloadSize: number;
  readonly #pages = new Map<number, { there: Uint8Array; crc: Uint32Array }>();
  /** Segments shorter than the payload size: the last one of a file. */
  readonly #short = new Map<number, number>();
  #size = 0;

  constructor(payloadSize: number) {
    this.#payloadSize = payloadSize;
  }

  get size(): number {
    return this.#size;
  }

  crcOf(key: number): number {
    const page = this.#pages.get(Math.floor(key / PAGE));
    const slot = key % PAGE;
    return page && page.there[slot] === 1 ? page.crc[slot]! : -1;
  }

  lengthOf(key: number): number {
    return this.crcOf(key) < 0 ? 0 : (this.#short.get(key) ?? this.#payloadSize);
  }

  add(key: number, length: number, crc: number): void {
    const number = Math.floor(key / PAGE);
    let page = this.#pages.get(number);
    if (!page) {
      page = { there: new Uint8Array(PAGE), crc: new Uint32Array(PAGE) };
      this.#pages.set(number, page);
    }
    const slot = key % PAGE;
    this.#size += 1 - page.there[slot]!;
    page.there[slot] = 1;
    page.crc[slot] = crc;
    if (length !== this.#payloadSize) this.#short.set(key, length);
  }

  remove(key: number): void {
    const page = this.#pages.get(Math.floor(key / PAGE));
    if (!page || page.there[key % PAGE] === 0) return;
    page.there[key % PAGE] = 0;
    this.#short.delete(key);
    this.#size--;
  }

  *keys(): Iterable<number> {
    for (const number of [...this.#pages.keys()].sort((a, b) => a - b)) {
      const { there } = this.#pages.get(number)!;
      for (let slot = there.indexOf(1); slot >= 0; slot = there.indexOf(1, slot + 1)) yield number * PAGE + slot;
    }
  }

  ranges(): number[] {
    const ranges: number[] = [];
    for (const key of this.keys()) {
      if (ranges.length > 0 && ranges[ranges.length - 1] === key) ranges[ranges.length - 1] = key + 1;
      else ranges.push(key, key + 1);
    }
    return ranges;
  }
}

/** Segments named by byte offset. */
export class OffsetTable implements SegmentTable {
  readonly #segments = new Map<number, { length: number; crc: number }>();

  get size(): number {
    return this.#segments.size;
  }

  crcOf(key: number): number {
    return this.#segments.get(key)?.crc ?? -1;
  }

  lengthOf(key: number): number {
    return this.#segments.get(key)?.length ?? 0;
  }

  add(key: number, length: number, crc: number): void {
    this.#segments.set(key, { length, crc });
  }

  remove(key: number): void {
    this.#segments.delete(key);
  }

  *keys(): Iterable<number> {
    yield* [...this.#segments.keys()].sort((a, b) => a - b);
  }

  ranges(): number[] {
    return normaliseRanges([...this.#segments].map(([key, { length }]) => [key, key + length] as const));
  }
}
