import fc from 'fast-check';
import { describe, expect, test } from 'vitest';
import {
  firstLast,
  intersectRanges,
  normaliseRanges,
  rangePairs,
  rangesLength,
  subtractRanges,
  unionRanges,
} from '../../src/bytes/ranges.js';

/** Pairs in any order, overlapping, touching, empty or backwards. */
const anyPairs = fc.array(fc.tuple(fc.integer({ min: -5, max: 40 }), fc.integer({ min: -5, max: 40 })), {
  maxLength: 12,
});

/** The slow judge: a set of the numbers themselves. */
const numbers = (pairs: Iterable<readonly [number, number]>): Set<number> => {
  const set = new Set<number>();
  for (const [start, end] of pairs) for (let n = start; n < end; n++) set.add(n);
  return set;
};
const sorted = (set: Iterable<number>): number[] => [...set].sort((a, b) => a - b);
const members = (ranges: readonly number[]): number[] => sorted(numbers(rangePairs(ranges)));

/** Sorted, disjoint, not touching, none empty: one writing for each set. */
const expectNormal = (ranges: readonly number[]): void => {
  expect(ranges.length % 2).toBe(0);
  for (let i = 1; i < ranges.length; i++) expect(ranges[i]!).toBeGreaterThan(ranges[i - 1]!);
};

describe('ranges against sets of numbers', () => {
  test('normalising keeps the numbers and gives one writing for each set', () => {
    fc.assert(
      fc.property(anyPairs, (pairs) => {
        const ranges = normaliseRanges(pairs);
        expectNormal(ranges);
        expect(members(ranges)).toEqual(sorted(numbers(pairs)));
        expect(rangesLength(ranges)).toBe(numbers(pairs).size);
        expect(normaliseRanges([...pairs].reverse())).toEqual(ranges);
        expect(normaliseRanges(rangePairs(ranges))).toEqual(ranges);
      }),
      { seed: 1, numRuns: 1000 },
    );
  });

  test('union, intersection and difference are those of the sets, and normal again', () => {
    fc.assert(
      fc.property(anyPairs, anyPairs, (first, second) => {
        const [a, b] = [normaliseRanges(first), normaliseRanges(second)];
        const [x, y] = [numbers(first), numbers(second)];
        const results = [unionRanges([a, b]), intersectRanges(a, b), subtractRanges(a, b)];
        for (const ranges of results) expectNormal(ranges);
        const [union, both, left] = results;
        expect(members(union!)).toEqual(sorted(new Set([...x, ...y])));
        expect(members(both!)).toEqual(sorted([...x].filter((n) => y.has(n))));
        expect(members(left!)).toEqual(sorted([...x].filter((n) => !y.has(n))));
      }),
      { seed: 2, numRuns: 2000 },
    );
  });
});

describe('edges', () => {
  test('touching ranges join, ranges a number apart do not', () => {
    expect(
      normaliseRanges([
        [5, 7],
        [0, 5],
        [8, 9],
      ]),
    ).toEqual([0, 7, 8, 9]);
  });

  test('nothing has no ranges', () => {
    expect(normaliseRanges([])).toEqual([]);
    expect(unionRanges([])).toEqual([]);
    expect(intersectRanges([], [0, 5])).toEqual([]);
    expect(subtractRanges([], [0, 5])).toEqual([]);
    expect(subtractRanges([0, 5], [])).toEqual([0, 5]);
    expect(rangesLength([])).toBe(0);
  });

  test('numbers beyond 32 bits stay exact', () => {
    const far = 2 ** 48;
    expect(subtractRanges([far, far + 10], [far + 3, far + 4])).toEqual([far, far + 3, far + 4, far + 10]);
    expect(rangesLength([0, far])).toBe(far);
  });

  test('reports get the last number, not the one after it', () => {
    expect(firstLast([0, 1, 4, 10])).toEqual([
      [0, 0],
      [4, 9],
    ]);
  });
});
