// The fast form of the narrow CRCs (WebAssembly, SIMD) against the table form and the `crc` package's CRC-16/IBM-3740.
import crc16ccitt from 'crc/crc16ccitt';
import { describe, expect, test } from 'vitest';
import { makeCrc } from '../../src/bytes/crc.js';
import { CRC_CATALOGUE } from '../../src/bytes/crc-catalogue.js';
import { takeFastMemory } from '../../src/bytes/fast-memory.js';
import { noise, seeded } from '../layers/seeded.js';

const MAX = 700;
/** More than is folded at once, several times. */
const LONG = 20_000;

describe('CRCs over bytes in the fast memory', () => {
  const fast = takeFastMemory(LONG);
  const plain = noise(LONG, 5);
  fast?.set(plain);

  test('there is one on this machine', () => expect(fast).toBeDefined());

  for (const parameters of Object.values(CRC_CATALOGUE)) {
    test(`${parameters.name} is the same as elsewhere, at every length and alignment`, () => {
      const crc = makeCrc(parameters);
      for (let size = 0; size <= MAX; size++) {
        const start = size % 37;
        const found = crc(fast!, start, start + size);
        if (found !== crc(plain, start, start + size)) expect.fail(`differs over ${size} bytes from ${start}`);
      }
    });
  }

  test('CRC-16/IBM-3740 is what the crc package says', () => {
    const crc = makeCrc(CRC_CATALOGUE['CRC-16/IBM-3740']);
    for (const size of [0, 1, 63, 64, 65, 96, 127, 128, 1002, 2000, 19_990]) {
      expect(crc(fast!, 3, 3 + size)).toBe(crc16ccitt(plain.subarray(3, 3 + size)));
    }
  });

  test('they stay the same over long data, and when one comes after another', () => {
    const all = Object.values(CRC_CATALOGUE).filter(({ width }) => width <= 16);
    const crcs = all.map((parameters) => makeCrc(parameters));
    const random = seeded(7);
    for (let round = 0; round < 3000; round++) {
      const crc = crcs[Math.floor(random() * crcs.length)]!;
      const start = Math.floor(random() * 100);
      const size = Math.floor(random() ** 3 * (LONG - start));
      if (crc(fast!, start, start + size) !== crc(plain, start, start + size)) {
        expect.fail(`differs over ${size} bytes from ${start}, round ${round}`);
      }
    }
  });

  test('a range outside the bytes is refused', () => {
    expect(() => makeCrc(CRC_CATALOGUE['CRC-16/IBM-3740'])(fast!, 0, fast!.length + 1)).toThrow(RangeError);
  });
});

test('a memory that is used up gives no more, and that is no error', () => {
  expect(takeFastMemory(2 ** 30)).toBeUndefined();
});
