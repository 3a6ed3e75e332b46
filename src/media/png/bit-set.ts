// A set of whole numbers below a limit, one bit each: which bytes or pixels of a large picture are known, in an eighth of its size.

export class BitSet {
  readonly #words: Uint32Array;

  /** @param size numbers from 0 to `size` - 1 can be in it; none is at first */
  constructor(size: number) {
    this.#words = new Uint32Array((size + 31) >>> 5);
  }

  has(i: number): boolean {
    return ((this.#words[i >>> 5]! >>> (i & 31)) & 1) === 1;
  }

  add(i: number): void {
    this.#words[i >>> 5]! |= 1 << (i & 31);
  }

  delete(i: number): void {
    this.#words[i >>> 5]! &= ~(1 << (i & 31));
  }

  /** Adds `[start, end)`. */
  addRange(start: number, end: number): void {
    if (start >= end) return;
    const [first, last] = [start >>> 5, (end - 1) >>> 5];
    const [head, tail] = edges(start, end);
    if (first === last) {
      this.#words[first]! |= head & tail;
      return;
    }
    this.#words[first]! |= head;
    this.#words.fill(0xffffffff, first + 1, last);
    this.#words[last]! |= tail;
  }

  /** Whether all of `[start, end)` is in it. */
  hasAll(start: number, end: number): boolean {
    return start >= end || !this.#differs(start, end, -1);
  }

  /** Whether any of `[start, end)` is in it. */
  hasAny(start: number, end: number): boolean {
    return start < end && this.#differs(start, end, 0);
  }

  /** How many are in it. */
  count(): number {
    let sum = 0;
    for (let word of this.#words) {
      if (word === 0xffffffff) sum += 32;
      else for (; word !== 0; word &= word - 1) sum++;
    }
    return sum;
  }

  #differs(start: number, end: number, from: 0 | -1): boolean {
    const [first, last] = [start >>> 5, (end - 1) >>> 5];
    const [head, tail] = edges(start, end);
    if (first === last) return ((this.#words[first]! ^ from) & head & tail) !== 0;
    if (((this.#words[first]! ^ from) & head) !== 0) return true;
    for (let i = first + 1; i < last; i++) if ((this.#words[i]! ^ from) !== 0) return true;
    return ((this.#words[last]! ^ from) & tail) !== 0;
  }
}

/** Of the first and the last word of `[start, end)`: the bits that belong to it. */
function edges(start: number, end: number): [head: number, tail: number] {
  return [-1 << (start & 31), -1 >>> (31 - ((end - 1) & 31))];
}
