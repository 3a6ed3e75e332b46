// XXH64, a hash for telling contents apart at the speed of memory; it does not withstand who forges. Of payloads the low 32 bits
// are kept, of recordings all of it: what `xxhsum -H64` prints.
// Source: the xxHash specification.
import { baseOf, inMemory, takeFastMemory } from './fast-memory.js';

const STRIPE = 32;
const STATE_BYTES = 32;
const RESULT_BYTES = 8;
/** Bytes that lie elsewhere are looked at in pieces of this size. */
const SCRATCH_BYTES = 1 << 16;

/** Taken before anything else can use the memory up. */
const scratch = takeFastMemory(SCRATCH_BYTES)!;
const state = takeFastMemory(STATE_BYTES)!;

/** The low 32 bits of the XXH64 (seed 0) of `bytes[start, end)`. */
export function hashLow(bytes: Uint8Array, start: number, end: number): number {
  const base = baseOf(bytes);
  if (base >= 0) return inMemory.hashLow(base + start, end - start) >>> 0;
  if (end - start > SCRATCH_BYTES) {
    const hash = new Xxh64();
    hash.update(bytes.subarray(start, end));
    return hash.low();
  }
  scratch.set(bytes.subarray(start, end));
  return inMemory.hashLow(scratch.byteOffset, end - start) >>> 0;
}

/** XXH64 (seed 0) of bytes that come in pieces. */
export class Xxh64 {
  readonly #state = new Uint8Array(STATE_BYTES);
  /** What is left over of a stripe. */
  readonly #rest = new Uint8Array(STRIPE);
  #restBytes = 0;
  #total = 0;

  update(bytes: Uint8Array): void {
    if (this.#total === 0) inMemory.beginHash(state.byteOffset);
    else state.set(this.#state);
    this.#total += bytes.length;
    let from = 0;
    if (this.#restBytes > 0) {
      from = Math.min(STRIPE - this.#restBytes, bytes.length);
      this.#rest.set(bytes.subarray(0, from), this.#restBytes);
      this.#restBytes += from;
      if (this.#restBytes === STRIPE) {
        scratch.set(this.#rest);
        inMemory.hashStripes(state.byteOffset, scratch.byteOffset, STRIPE);
        this.#restBytes = 0;
      }
    }
    const whole = from + Math.floor((bytes.length - from) / STRIPE) * STRIPE;
    const base = baseOf(bytes);
    if (base >= 0) inMemory.hashStripes(state.byteOffset, base + from, whole - from);
    else {
      for (; from < whole; from += SCRATCH_BYTES) {
        const piece = bytes.subarray(from, Math.min(whole, from + SCRATCH_BYTES));
        scratch.set(piece);
        inMemory.hashStripes(state.byteOffset, scratch.byteOffset, piece.length);
      }
    }
    if (whole < bytes.length) {
      this.#rest.set(bytes.subarray(whole));
      this.#restBytes = bytes.length - whole;
    }
    this.#state.set(state);
  }

  /** Of the bytes so far: 16 lower-case hexadecimal digits. */
  hex(): string {
    return this.#conclude().readBigUInt64LE().toString(16).padStart(16, '0');
  }

  /** Of the bytes so far, the low 32 bits. */
  low(): number {
    return this.#conclude().readUInt32LE();
  }

  #conclude(): Buffer {
    state.set(this.#state);
    scratch.set(this.#rest, RESULT_BYTES);
    const rest = scratch.byteOffset + RESULT_BYTES;
    inMemory.concludeHash(scratch.byteOffset, state.byteOffset, rest, this.#restBytes, this.#total);
    return scratch.subarray(0, RESULT_BYTES);
  }
}
