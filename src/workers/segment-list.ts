// The segments of one block as numbers, for the thread that keeps them. In which lane they are kept that thread decides; until then
// it is lane 0.
import { baseOf } from '../bytes/fast-memory.js';
import { hashLow } from '../bytes/xxh64.js';
import type { SegmentStore } from '../segments/run.js';
import { LISTED_SEGMENTS, SEGMENT_NUMBERS } from './protocol.js';

export class SegmentList implements SegmentStore {
  /** The block, as it lies in this thread's memory. */
  #blockStart = 0;
  #blockEnd = 0;
  #shared: Float64Array | undefined;
  #numbers: Float64Array = new Float64Array(LISTED_SEGMENTS * SEGMENT_NUMBERS);
  #own = this.#numbers;
  #used = 0;
  #spill = Buffer.allocUnsafe(1 << 16);
  #spilled = 0;

  /** What comes next lies in `block`, if anywhere; `shared` has room for `LISTED_SEGMENTS`. */
  begin(block: Uint8Array | undefined, shared: Float64Array | undefined): void {
    this.#blockStart = block ? baseOf(block) : 0;
    this.#blockEnd = this.#blockStart + (block?.length ?? 0);
    this.#shared = shared;
    this.#numbers = shared ?? this.#own;
    this.#used = 0;
    this.#spilled = 0;
  }

  get count(): number {
    return this.#used / SEGMENT_NUMBERS;
  }

  /** A copy of the list, where `shared` does not have it. */
  unshared(): Float64Array | undefined {
    return this.#numbers === this.#shared ? undefined : this.#numbers.slice(0, this.#used);
  }

  /** A copy of the payloads that do not lie in the block. */
  spill(): Uint8Array {
    return new Uint8Array(this.#spill.subarray(0, this.#spilled));
  }

  store(file: number, segments: number, key: number, bytes: Uint8Array, start: number, length: number): number {
    let list = this.#numbers;
    const at = this.#used;
    if (at === list.length) list = this.#grow();
    this.#used = at + SEGMENT_NUMBERS;
    list[at] = file;
    list[at + 1] = segments;
    list[at + 2] = key;
    list[at + 3] = this.#placeOf(bytes, start, length);
    list[at + 4] = length;
    list[at + 5] = hashLow(bytes, start, start + length);
    return 0;
  }

  #grow(): Float64Array {
    const larger = new Float64Array(2 * this.#used);
    larger.set(this.#numbers);
    this.#own = larger;
    this.#numbers = larger;
    return larger;
  }

  #placeOf(bytes: Uint8Array, start: number, length: number): number {
    const base = baseOf(bytes);
    const place = base + start;
    if (base >= 0 && place >= this.#blockStart && place + length <= this.#blockEnd) return place;
    if (this.#spilled + length > this.#spill.length) {
      const larger = Buffer.allocUnsafe(2 * (this.#spilled + length));
      larger.set(this.#spill.subarray(0, this.#spilled));
      this.#spill = larger;
    }
    this.#spill.set(bytes.subarray(start, start + length), this.#spilled);
    this.#spilled += length;
    return -1 - (this.#spilled - length);
  }
}
