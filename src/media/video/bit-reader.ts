// Reads the header fields of NAL units: H.264 and H.265, 7.2 (bits), 7.3.1 and 7.4.1 (emulation prevention bytes left
// out), 9.1 and 9.2 (Exp-Golomb codes). Reading past the known bytes is noted, not thrown: the caller asks once, at the end.

export class BitReader {
  /** Set when a bit was read that is not there; what is read from then on is 0. */
  overrun = false;
  readonly #bytes: Uint8Array;
  #at: number;
  #bit = 0;
  #zeros = 0;

  /** @param bytes a NAL unit, or its known part; not copied. @param start where to begin, bytes */
  constructor(bytes: Uint8Array, start: number) {
    this.#bytes = bytes;
    this.#at = start;
  }

  /** Whether the next bit begins a byte. */
  get aligned(): boolean {
    return this.#bit === 0;
  }

  flag(): boolean {
    return this.#next() === 1;
  }

  /** @param count 0 to 32 */
  bits(count: number): number {
    let value = 0;
    for (let i = 0; i < count; i++) value = value * 2 + this.#next();
    return value;
  }

  skip(count: number): void {
    for (let i = 0; i < count && !this.overrun; i++) this.#next();
  }

  /** ue(v) */
  unsigned(): number {
    let zeros = 0;
    while (!this.overrun && this.#next() === 0) {
      if (++zeros > 32) {
        this.overrun = true;
        return 0;
      }
    }
    return 2 ** zeros - 1 + this.bits(zeros);
  }

  /** se(v) */
  signed(): number {
    const code = this.unsigned();
    return code % 2 === 1 ? (code + 1) / 2 : 0 - code / 2;
  }

  #next(): number {
    if (this.overrun) return 0;
    if (this.#bit === 0) {
      if (this.#zeros >= 2 && this.#bytes[this.#at] === 3) {
        this.#at++;
        this.#zeros = 0;
      }
      const byte = this.#bytes[this.#at];
      if (byte === undefined) {
        this.overrun = true;
        return 0;
      }
      this.#zeros = byte === 0 ? this.#zeros + 1 : 0;
    }
    const value = (this.#bytes[this.#at]! >> (7 - this.#bit)) & 1;
    this.#bit = (this.#bit + 1) & 7;
    if (this.#bit === 0) this.#at++;
    return value;
  }
}
