// The segments of one block as numbers, for the thread that keeps them. In which lane they are kept that thread decides; until then
// it is lane 0.
import { baseOf } from '../bytes/fast-memory.js';
import { distanceTo, EVENLY } from '../bytes/spread.js';
import { hashLow } from '../bytes/xxh64.js';
import type { SegmentRun, SegmentStore } from '../segments/run.js';
import { LISTED_NUMBERS, RUN_NUMBERS } from './protocol.js';

type Listed = Omit<SegmentRun, 'bytes' | 'start' | 'count' | 'hashes' | 'hashAt'>;

export class SegmentList implements SegmentStore {
  /** The block, as it lies in this thread's memory. */
  #blockStart = 0;
  #blockEnd = 0;
  #shared: Float64Array | undefined;
  #numbers: Float64Array = new Float64Array(LISTED_NUMBERS);
  #own = this.#numbers;
  #used = 0;
  /** Beside the block, for payloads that do not lie in it. */
  #aside: Uint8Array | undefined;
  #asideUsed = 0;
  /** For more of them. */
  #spill = Buffer.allocUnsafe(1 << 16);
  #spilled = 0;
  /** A segment that comes alone. */
  readonly #one: Listed = { ...EVENLY, file: 0, segments: 0, key: 0, step: 0, stride: 0, length: 0, lastLength: 0 };

  /**
   * @param block what comes next lies there, if anywhere
   * @param shared room for `LISTED_NUMBERS`
   * @param aside room in the shared memory for payloads that had to be put together
   */
  begin(block?: Uint8Array, shared?: Float64Array, aside?: Uint8Array): void {
    this.#blockStart = block ? baseOf(block) : 0;
    this.#blockEnd = this.#blockStart + (block?.length ?? 0);
    this.#shared = shared;
    this.#numbers = shared ?? this.#own;
    this.#used = 0;
    this.#aside = aside;
    this.#asideUsed = 0;
    this.#spilled = 0;
  }

  /** Numbers in the list. */
  get size(): number {
    return this.#used;
  }

  /** A copy of the list, where `shared` does not have it. */
  unshared(): Float64Array | undefined {
    return this.#numbers === this.#shared ? undefined : this.#numbers.slice(0, this.#used);
  }

  /** A copy of the payloads that lie neither in the block nor beside it. */
  spill(): Uint8Array {
    return new Uint8Array(this.#spill.subarray(0, this.#spilled));
  }

  store(file: number, segments: number, key: number, bytes: Uint8Array, start: number, length: number): number {
    const place = this.#placeOf(bytes, start, length);
    const one = this.#one;
    one.file = file;
    one.segments = segments;
    one.key = key;
    one.length = length;
    one.lastLength = length;
    const at = this.#add(one, 0, 1, place);
    this.#numbers[at] = hashLow(bytes, start, start + length);
    return 0;
  }

  storeRun(run: SegmentRun, from: number): number {
    const { bytes, start, lastLength, hashes, hashAt, count } = run;
    const base = baseOf(bytes);
    const place = base + start + distanceTo(from, run);
    const end = base + start + distanceTo(count - 1, run) + lastLength;
    if (base < 0 || place < this.#blockStart || end > this.#blockEnd) return 0;
    const left = count - from;
    const at = this.#add(run, from, left, place);
    for (let i = 0; i < left; i++) this.#numbers[at + i] = hashes[hashAt + from + i]!;
    return left;
  }

  /** Lists the last `count` segments of a run, from the one numbered `from` on; returns where their hashes go. */
  #add(run: Listed, from: number, count: number, place: number): number {
    const at = this.#used;
    const end = at + RUN_NUMBERS + count;
    if (end > this.#numbers.length) this.#grow(end);
    const list = this.#numbers;
    list[at] = count;
    list[at + 1] = run.file;
    list[at + 2] = run.segments;
    list[at + 3] = run.key + from * run.step;
    list[at + 4] = run.step;
    list[at + 5] = place;
    list[at + 6] = run.stride;
    list[at + 7] = run.length;
    list[at + 8] = run.lastLength;
    list[at + 9] = run.group;
    list[at + 10] = (run.phase + from) % run.group;
    list[at + 11] = run.skip;
    this.#used = end;
    return at + RUN_NUMBERS;
  }

  #grow(least: number): void {
    const larger = new Float64Array(2 * least);
    larger.set(this.#numbers.subarray(0, this.#used));
    this.#own = larger;
    this.#numbers = larger;
  }

  #placeOf(bytes: Uint8Array, start: number, length: number): number {
    const base = baseOf(bytes);
    const place = base + start;
    if (base >= 0 && place >= this.#blockStart && place + length <= this.#blockEnd) return place;
    if (this.#aside && this.#asideUsed + length <= this.#aside.length) {
      this.#aside.set(bytes.subarray(start, start + length), this.#asideUsed);
      this.#asideUsed += length;
      return this.#aside.byteOffset + this.#asideUsed - length;
    }
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
