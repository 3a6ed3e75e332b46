// XXH64 against the hash-wasm package, which has it compiled from other sources.
import { createXXHash64, xxhash64 } from 'hash-wasm';
import { expect, test } from 'vitest';
import { takeFastMemory } from '../../src/bytes/fast-memory.js';
import { hashLow, Xxh64 } from '../../src/bytes/xxh64.js';
import { noise } from '../layers/seeded.js';

const MAX = 300;
const plain = noise(1 << 18, 9);
const fast = takeFastMemory(plain.length)!;
fast.set(plain);

test('is what hash-wasm says at every length and alignment, wherever the bytes lie', async () => {
  const reference = await createXXHash64();
  for (let size = 0; size <= MAX; size++) {
    const start = size % 37;
    const low = Number(
      BigInt(
        `0x${reference
          .init()
          .update(plain.subarray(start, start + size))
          .digest()}`,
      ) & 0xffff_ffffn,
    );
    expect([hashLow(fast, start, start + size), hashLow(plain, start, start + size)]).toEqual([low, low]);
  }
});

test('over more bytes than fit the scratch, too', async () => {
  const low = Number(BigInt(`0x${await xxhash64(plain)}`) & 0xffff_ffffn);
  expect(hashLow(plain, 0, plain.length)).toBe(low);
});

test('of bytes in pieces it is that of the whole, and may be asked for in between', async () => {
  for (const bytes of [plain, fast]) {
    const hash = new Xxh64();
    const other = new Xxh64();
    let at = 0;
    for (let piece = 1; at < bytes.length; piece = (piece * 7 + 3) % 5000) {
      const next = Math.min(bytes.length, at + piece);
      hash.update(bytes.subarray(at, next));
      other.update(bytes.subarray(0, piece % 40));
      at = next;
      if (at % 11 === 0) expect(hash.hex()).toBe(await xxhash64(plain.subarray(0, at)));
    }
    expect(hash.hex()).toBe(await xxhash64(plain));
  }
});

test('of nothing it is that of nothing', async () => expect(new Xxh64().hex()).toBe(await xxhash64('')));
