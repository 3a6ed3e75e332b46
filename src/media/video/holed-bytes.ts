// Bytes of which some did not arrive. What lies in a gap is unknown, whatever the buffer holds there: readers ask before
// they read, and searches never see it.
import { normaliseRanges, type Ranges } from '../../bytes/ranges.js';

export class HoledBytes {
  /** The bytes, anything in the gaps; not copied. */
  readonly bytes: Buffer;
  /** Sorted, disjoint `[start, end)` pairs, flat. */
  readonly gaps: Ranges;

  /** @param gaps in any order; parts behind the end of `bytes` are ignored */
  constructor(bytes: Buffer, gaps: Iterable<readonly [start: number, end: number]>) {
    this.bytes = bytes;
    const within = [...gaps].map(([start, end]) => [Math.max(0, start), Math.min(end, bytes.length)] as const);
    this.gaps = normaliseRanges(within);
  }

  get length(): number {
    return this.bytes.length;
  }

  /** Whether all of `[start, end)` arrived and lies within the bytes. */
  isKnown(start: number, end: number): boolean {
    return start >= 0 && end <= this.length && this.knownEnd(start) >= end;
  }

  /** End (exclusive) of the known run that begins at `at`; `at` itself where that byte is unknown. */
  knownEnd(at: number): number {
    const next = this.#gapEndingAfter(at);
    return Math.max(at, Math.min(this.length, this.gaps[next] ?? this.length));
  }

  /** The first known byte from `at` on, or the end. */
  nextKnown(at: number): number {
    const next = this.#gapEndingAfter(at);
    const start = this.gaps[next];
    return start !== undefined && start <= at ? this.gaps[next + 1]! : Math.min(at, this.length);
  }

  /** How many bytes of `[start, end)` are unknown. */
  unknownIn(start: number, end: number): number {
    let sum = 0;
    for (let i = this.#gapEndingAfter(start); i < this.gaps.length && this.gaps[i]! < end; i += 2) {
      sum += Math.min(end, this.gaps[i + 1]!) - Math.max(start, this.gaps[i]!);
    }
    return sum;
  }

  /** Big-endian number of 1 to 6 bytes at `at`, or `null` where a byte of it is unknown. */
  uint(at: number, size: number): number | null {
    return this.isKnown(at, at + size) ? this.bytes.readUIntBE(at, size) : null;
  }

  /** Latin-1 text, or `null` where a byte of it is unknown. */
  text(at: number, size: number): string | null {
    return this.isKnown(at, at + size) ? this.bytes.toString('latin1', at, at + size) : null;
  }

  /** Index in `gaps` of the first gap that ends behind `at`. */
  #gapEndingAfter(at: number): number {
    let low = 0;
    let high = this.gaps.length / 2;
    while (low < high) {
      const middle = (low + high) >> 1;
      if (this.gaps[2 * middle + 1]! > at) high = middle;
      else low = middle + 1;
    }
    return 2 * low;
  }
}
