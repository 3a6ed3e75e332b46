// Closed forms against scipy (test/vectors/statistics.json names the functions), exact rational arithmetic, and published values.
import fs from 'node:fs';
import fc from 'fast-check';
import { describe, expect, test } from 'vitest';
import {
  completionChance,
  meanRandomDraws,
  meanRepeats,
  randomDrawsChance,
  repeatsNeeded,
  wilsonInterval,
} from '../../src/planning/closed-forms.js';
import { normalQuantile, quantile, studentQuantile } from '../../src/planning/quantiles.js';

const vectors = JSON.parse(fs.readFileSync(new URL('../vectors/statistics.json', import.meta.url), 'utf8')) as {
  source: string;
  student: [number, number, number][];
  normal: [number, number][];
  wilson: [number, number, number, number, number][];
  completion: [number, number, number, number][];
};

describe('the fewest repeats', () => {
  test('are the fewest that reach the target', () => {
    fc.assert(
      fc.property(
        fc.double({ min: 0.01, max: 0.999, noNaN: true }),
        fc.integer({ min: 1, max: 10_000_000 }),
        fc.double({ min: 0.01, max: 0.9999, noNaN: true }),
        (p, n, target) => {
          const k = repeatsNeeded(p, n, target)!;
          // Rounding may decide a tie either way.
          expect(completionChance(p, k, n)).toBeGreaterThanOrEqual(target * (1 - 1e-9));
          if (k > 1) expect(completionChance(p, k - 1, n)).toBeLessThan(target * (1 + 1e-9));
        },
      ),
    );
  });

  test.each([
    // 1 - 0.5^k >= 0.9 from k = 4 on (0.9375); exactly 0.75 at k = 2.
    [0.5, 1, 0.9, 4],
    [0.5, 1, 0.75, 2],
    // (1 - 0.1^k)^2 >= 0.98 at k = 2: 0.9801.
    [0.9, 2, 0.98, 2],
    [0.9, 2, 0.981, 3],
    [1, 1000, 0.999, 1],
    [0.3, 0, 0.99, 1],
  ])('with p = %f and %i segments for %f are %i', (p, n, target, expected) => {
    expect(repeatsNeeded(p, n, target)).toBe(expected);
  });

  test('are none where nothing ever arrives', () => {
    expect(repeatsNeeded(0, 5, 0.5)).toBeNull();
  });
});

test.each(vectors.completion)(
  `with p = %f, %i repeats complete %i segments with the chance that scipy's binomial gives`,
  (p, k, n, chance) => {
    expect(completionChance(p, k, n)).toBeCloseTo(chance, 12);
  },
);

// The mean of the largest of n geometric waits by inclusion and exclusion, in exact fractions (Python's fractions).
test.each([
  [0.5, 1, 2],
  [0.5, 4, 3.504761904761905],
  [0.2, 10, 13.625937260264093],
  [0.9, 30, 2.2508064445286817],
])('with p = %f, %i segments are in after %f repeats on average', (p, n, expected) => {
  expect(meanRepeats(p, n)).toBeCloseTo(expected, 8);
});

describe('segments drawn at random', () => {
  // W. Feller, An Introduction to Probability Theory and Its Applications I, IX.3 (from memory): 14.7 throws of a die until all six
  // faces came; 2364.646 people until every day of the year is a birthday.
  test.each([
    [1, 1],
    [6, 14.7],
    [365, 2364.646],
  ])('need, for %i of them, %f receptions on average', (n, mean) => {
    expect(meanRandomDraws(n)).toBeCloseTo(mean, 3);
  });

  // n! S(t, n) / n^t with Stirling numbers of the second kind, in exact fractions (Python's fractions): another formula than ours.
  test.each([
    [6, 12, 0.43781568062117904],
    // The median of the dice: 13 throws.
    [6, 13, 0.5138581940422361],
    [6, 27, 0.9565863818006538],
    [20, 50, 0.1641797696487826],
    [40, 200, 0.7728124617090727],
    [60, 300, 0.6735415001522501],
    [100, 700, 0.9154530452347561],
  ])('are all of %i in after %i receptions with chance %f', (n, t, chance) => {
    expect(Math.abs(randomDrawsChance(n, t) - chance)).toBeLessThan(n > 40 ? 0.02 : 1e-9);
  });

  test('are never all in after fewer receptions than segments', () => {
    expect(randomDrawsChance(10, 9)).toBe(0);
  });
});

describe('the Wilson interval', () => {
  // R. G. Newcombe, "Two-sided confidence intervals for the single proportion", Statistics in Medicine 17 (1998), table I,
  // score method without continuity correction; values from memory, and borne out by scipy and by the bisection below.
  test.each([
    [81, 263, 0.2553, 0.3662],
    [15, 148, 0.0624, 0.1605],
    [0, 20, 0, 0.1611],
    [1, 29, 0.0061, 0.1718],
  ])('of %i in %i is %f to %f', (r, n, low, high) => {
    const [from, to] = wilsonInterval(r / n, n);
    expect(from).toBeCloseTo(low, 4);
    expect(to).toBeCloseTo(high, 4);
  });

  test.each(vectors.wilson)('of %i in %i at %f is what scipy gives', (r, n, confidence, low, high) => {
    const z = { 0.9: 1.6448536269514722, 0.95: 1.959963984540054, 0.99: 2.5758293035489004 }[confidence]!;
    const [from, to] = wilsonInterval(r / n, n, z);
    expect(from).toBeCloseTo(low, 7);
    expect(to).toBeCloseTo(high, 7);
  });

  test('has ends at which the observed share is just 1.96 standard errors away', () => {
    // The 97.5 % quantile of the normal distribution, standard tables.
    const z = 1.959964;
    const solve = (share: number, n: number, low: number, high: number): number => {
      const inside = (q: number) => Math.abs(share - q) <= z * Math.sqrt((q * (1 - q)) / n);
      for (let i = 0; i < 100; i++) {
        const middle = (low + high) / 2;
        if (inside(middle)) low = middle;
        else high = middle;
      }
      return low;
    };
    fc.assert(
      fc.property(fc.integer({ min: 1, max: 100_000 }), fc.double({ min: 0, max: 1, noNaN: true }), (n, part) => {
        const share = Math.round(part * n) / n;
        const [from, to] = wilsonInterval(share, n);
        expect(from).toBeCloseTo(solve(share, n, share, 0), 5);
        expect(to).toBeCloseTo(solve(share, n, share, 1), 5);
      }),
    );
  });

  test('of nothing tried says nothing', () => {
    expect(wilsonInterval(0, 0)).toEqual([0, 1]);
  });
});

test.each(vectors.student)(
  `Student's quantile at %f with %i degrees of freedom is scipy's within 1.5 %`,
  (p, freedom, expected) => {
    expect(Math.abs(studentQuantile(p, freedom) / expected - 1)).toBeLessThan(0.015);
  },
);

test.each(vectors.normal)(`the normal quantile at %f is scipy's`, (p, expected) => {
  expect(Math.abs(normalQuantile(p) - expected)).toBeLessThan(5e-4);
});

test('a quantile lies straight between its neighbours', () => {
  expect(quantile([3, 1, 2], 0.5)).toBe(2);
  expect(quantile([0, 10], 0.25)).toBe(2.5);
  expect(quantile([], 0.5)).toBeNaN();
});
