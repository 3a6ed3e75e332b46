// The rehearsal's random numbers: xoshiro128** 1.1 (D. Blackman, S. Vigna, "Scrambled linear pseudorandom number generators",
// ACM Transactions on Mathematical Software 47(4), 2021), one independent stream per purpose, so that a station more or less
// changes nothing for the others. Same seed, same numbers, on every machine.
import { createHash } from 'node:crypto';

export type Random = {
  /** 0 to 2^32 - 1. */
  uint32(): number;
  /** 0 (included) to 1 (excluded), in steps of 2^-32. */
  float(): number;
  /** A whole number from 0 to `limit - 1`; `limit` well below 2^32. */
  below(limit: number): number;
  /** Fills `bytes`, and returns it. */
  fill(bytes: Uint8Array): Uint8Array;
};

/** The bare generator, started from four 32-bit words that are not all zero. */
export function xoshiro128(words: readonly [number, number, number, number]): () => number {
  let [a, b, c, d] = words;
  return () => {
    const scrambled = Math.imul(rotateLeft(Math.imul(b, 5), 7), 9) >>> 0;
    const shifted = b << 9;
    c ^= a;
    d ^= b;
    b ^= c;
    a ^= d;
    c ^= shifted;
    d = rotateLeft(d, 11);
    return scrambled;
  };
}

/** A stream of its own for each `purpose` of one `seed`: the start state is the SHA-256 of both. */
export function seededRandom(seed: number, purpose: string): Random {
  const hash = createHash('sha256').update(`${seed}/${purpose}`).digest();
  const uint32 = xoshiro128([hash.readInt32LE(0), hash.readInt32LE(4), hash.readInt32LE(8), hash.readInt32LE(12)]);
  const float = (): number => uint32() / 2 ** 32;
  return {
    uint32,
    float,
    below: (limit) => Math.floor(float() * limit),
    fill: (bytes) => {
      for (let i = 0; i < bytes.length; i++) bytes[i] = uint32() >>> 24;
      return bytes;
    },
  };
}

function rotateLeft(word: number, by: number): number {
  return (word << by) | (word >>> (32 - by));
}
