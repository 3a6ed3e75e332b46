// Which segments of a file delivery's file are there: their lengths are not known beforehand, and none may overlap another.
import { OffsetTable, type SegmentContent, type SegmentTable } from './segment-table.js';

/** How often a `ChunkTable` is laid out anew for longer segments: lengths of a file are the same but for the last. */
const MOST_LAYOUTS = 8;

/** Segments named by byte offset, of a length that only they show. None overlaps another: what does has no place here. */
export class ChunkTable implements SegmentTable {
  #table = new OffsetTable(1);
  #layouts = 0;
  #fullLength = 0;
  /** Bytes that have a content, be it there or lost, as sorted ranges. */
  readonly #taken: number[] = [];

  get size(): number {
    return this.#table.size;
  }

  get fullLength(): number {
    return this.#fullLength;
  }

  hashOf(key: number): number {
    return this.#table.hashOf(key);
  }

  lengthOf(key: number): number {
    return this.#table.lengthOf(key);
  }

  isFor(key: number, length: number, hash: number): boolean {
    return this.#table.isFor(key, length, hash);
  }

  isFree(key: number, length = 1): boolean {
    const next = this.#firstEndingAfter(key);
    return next === this.#taken.length || this.#taken[next]! >= key + length;
  }

  add(key: number, length: number, hash: number): void {
    if (length > this.#fullLength) this.#layOut(length);
    this.#table.add(key, length, hash);
    this.#take(key, key + length);
  }

  lose(key: number): void {
    this.#table.lose(key);
  }

  ranges(): number[] {
    return this.#table.ranges();
  }

  keys(): Iterable<number> {
    return this.#table.keys();
  }

  lost(): Iterable<SegmentContent> {
    return this.#table.lost();
  }

  #layOut(length: number): void {
    this.#fullLength = length;
    if (this.#layouts === MOST_LAYOUTS) return;
    this.#layouts++;
    const before = this.#table;
    this.#table = new OffsetTable(length);
    for (const key of before.keys()) this.#table.add(key, before.lengthOf(key), before.hashOf(key));
    for (const { key, length, hash } of before.lost()) {
      this.#table.add(key, length, hash);
      this.#table.lose(key);
    }
  }

  /** Joins `[start, end)` with the ranges that it touches. */
  #take(start: number, end: number): void {
    const taken = this.#taken;
    let from = this.#firstEndingAfter(start - 1);
    const first = from;
    let [low, high] = [start, end];
    for (; from < taken.length && taken[from]! <= end; from += 2) {
      low = Math.min(low, taken[from]!);
      high = Math.max(high, taken[from + 1]!);
    }
    if (from === first + 2) {
      taken[first] = low;
      taken[first + 1] = high;
    } else taken.splice(first, from - first, low, high);
  }

  /** Index in `#taken` of the first range that ends after `at`. */
  #firstEndingAfter(at: number): number {
    let low = 0;
    let high = this.#taken.length / 2;
    while (low < high) {
      const middle = (low + high) >> 1;
      if (this.#taken[2 * middle + 1]! > at) high = middle;
      else low = middle + 1;
    }
    return 2 * low;
  }
}
