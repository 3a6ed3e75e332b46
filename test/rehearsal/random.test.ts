// Expected sequence: the test values of Debian's librust-rand-xoshiro-dev 0.6.0, which name the authors' reference code as their source.
import { expect, test } from 'vitest';
import { seededRandom, xoshiro128 } from '../../src/rehearsal/random.js';

test('xoshiro128** gives the sequence of the reference code for the start state 1, 2, 3, 4', () => {
  const next = xoshiro128([1, 2, 3, 4]);
  const values = Array.from({ length: 10 }, next);
  expect(values).toEqual([
    11520, 0, 5927040, 70819200, 2031721883, 1637235492, 1287239034, 3734860849, 3729100597, 4258142804,
  ]);
});

test('xoshiro128** agrees with its definition written out in 64-bit arithmetic', () => {
  const word = (value: bigint): bigint => value & 0xffffffffn;
  const rotate = (value: bigint, by: bigint): bigint => word((value << by) | (value >> (32n - by)));
  let [a, b, c, d] = [0x9e3779b9n, 0x243f6a88n, 0xb7e15162n, 0x7fffffffn];
  const next = xoshiro128([0x9e3779b9, 0x243f6a88, 0xb7e15162, 0x7fffffff]);
  for (let i = 0; i < 1000; i++) {
    const expected = word(rotate(word(b * 5n), 7n) * 9n);
    const shifted = word(b << 9n);
    c ^= a;
    d ^= b;
    b ^= c;
    a ^= d;
    c ^= shifted;
    d = rotate(d, 11n);
    expect(next()).toBe(Number(expected));
  }
});

test('the same seed and purpose give the same numbers, another purpose or seed gives others', () => {
  const first = (seed: number, purpose: string): string => seededRandom(seed, purpose).fill(new Uint8Array(16)).join();
  expect(first(1, 'a')).toBe(first(1, 'a'));
  expect(first(1, 'a')).not.toBe(first(1, 'b'));
  expect(first(1, 'a')).not.toBe(first(2, 'a'));
});

test('whole numbers below a limit cover it evenly', () => {
  const random = seededRandom(5, 'even');
  const counts = new Array<number>(7).fill(0);
  for (let i = 0; i < 70_000; i++) counts[random.below(7)]! += 1;
  // Chi-square with 6 degrees of freedom: above 22.5 once in a thousand (published tables).
  const chiSquare = counts.reduce((sum, count) => sum + (count - 10_000) ** 2 / 10_000, 0);
  expect(chiSquare).toBeLessThan(22.5);
});
