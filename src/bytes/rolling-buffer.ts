// Bytes that wait for the rest of what they belong to: appended at one end, consumed at the other, one copy in.
import { giveBlock, takeBlock } from './fast-memory.js';

/** Grows as needed and never shrinks; indices into `bytes` change with every `append`. */
export class RollingBuffer {
  bytes: Buffer;
  /** Index of the first byte not yet consumed. */
  start = 0;
  /** Index after the last byte. */
  end = 0;

  /** Its own memory, while it looks into another's. */
  #own: Buffer | undefined;

  /** In the fast memory, until `release`. */
  #block: Buffer | undefined;

  /** @param fastBytes so much is to lie where CRCs are fast; what is more, or is not said, lies anywhere */
  constructor(fastBytes?: number) {
    this.#block = fastBytes === undefined ? undefined : takeBlock(fastBytes);
    this.bytes = this.#block ?? Buffer.allocUnsafe(16384);
  }

  get length(): number {
    return this.end - this.start;
  }

  /** Copies `source[from, to)` behind what is there. */
  append(source: Uint8Array, from: number, to: number): void {
    const size = to - from;
    if (this.end + size > this.bytes.length) this.#makeRoom(size);
    if (size > 64) this.bytes.set(source.subarray(from, to), this.end);
    else for (let i = 0; i < size; i++) this.bytes[this.end + i] = source[from + i]!;
    this.end += size;
  }

  clear(): void {
    this.start = 0;
    this.end = 0;
  }

  /** Takes `source[from, to)` for its content, where it lies; empty before, and to be emptied by `giveBack` while `source` holds. */
  borrow(source: Uint8Array, from: number, to: number): void {
    this.#own ??= this.bytes;
    this.bytes = Buffer.from(source.buffer, source.byteOffset, source.byteLength);
    this.start = from;
    this.end = to;
  }

  /** Empties the buffer, which gives back what it borrowed; tells how many bytes were in it. */
  giveBack(): number {
    const { length } = this;
    this.bytes = this.#own ?? this.bytes;
    this.#own = undefined;
    this.clear();
    return length;
  }

  /** Empties the buffer and gives back its fast memory. */
  release(): void {
    this.clear();
    this.bytes = Buffer.alloc(0);
    if (this.#block) giveBlock(this.#block);
    this.#block = undefined;
  }

  #makeRoom(size: number): void {
    const kept = this.length;
    if ((kept + size) * 2 > this.bytes.length) {
      const larger = Buffer.allocUnsafe((kept + size) * 2);
      larger.set(this.bytes.subarray(this.start, this.end));
      this.bytes = larger;
    } else {
      this.bytes.copyWithin(0, this.start, this.end);
    }
    this.start = 0;
    this.end = kept;
  }
}
