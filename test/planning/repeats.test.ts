// The repeats estimate against direct evaluation of its formula, and the Wilson interval against published values and against the
// score equation itself, solved by bisection.
import fc from 'fast-check';
import { describe, expect, test } from 'vitest';
import { estimateRepeats, repeatsNeeded, wilsonInterval } from '../../src/planning/repeats.js';

/** The chance that each of `n` segments arrives at least once in `k` independent sendings. */
const chance = (p: number, k: number, n: number) => Math.exp(n * Math.log1p(-((1 - p) ** k)));

describe('repeatsNeeded', () => {
  test('is the fewest repeats that reach the target', () => {
    fc.assert(
      fc.property(
        fc.double({ min: 0.01, max: 0.999, noNaN: true }),
        fc.integer({ min: 1, max: 10_000_000 }),
        fc.double({ min: 0.01, max: 0.9999, noNaN: true }),
        (p, n, target) => {
          const k = repeatsNeeded(p, n, target)!;
          // Rounding may decide a tie either way.
          expect(chance(p, k, n)).toBeGreaterThanOrEqual(target * (1 - 1e-9));
          if (k > 1) expect(chance(p, k - 1, n)).toBeLessThan(target * (1 + 1e-9));
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
  ])('with p = %f and %i segments for %f is %i', (p, n, target, expected) => {
    expect(repeatsNeeded(p, n, target)).toBe(expected);
  });

  test('is null where nothing ever arrives', () => {
    expect(repeatsNeeded(0, 5, 0.5)).toBeNull();
  });
});

describe('the Wilson interval', () => {
  // R. G. Newcombe, "Two-sided confidence intervals for the single proportion", Statistics in Medicine 17 (1998), table I,
  // score method without continuity correction; values from memory, and borne out by the bisection below.
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
});

describe('the estimate', () => {
  const stations = [
    { name: 'saltmarsh', transmissions: [0, 30, 50, 80], span: [0, 100] },
    { name: 'highfell', transmissions: [20, 60], span: [20, 120] },
  ];

  test('takes as sent what went out while anyone listened, for each station and for all together', () => {
    const { sent, rows } = estimateRepeats({ stations, segments: 10, target: 0.99 });
    expect(sent).toBe(120);
    expect(rows.map(({ stations: names, probability }) => [names, probability])).toEqual([
      [['saltmarsh', 'highfell'], 80 / 120],
      [['saltmarsh'], 60 / 120],
      [['highfell'], 40 / 120],
    ]);
    expect(rows.map(({ repeats }) => repeats)).toEqual(
      [80, 60, 40].map((heard) => repeatsNeeded(heard / 120, 10, 0.99)),
    );
  });

  test('has an interval around each number, wider for fewer stretches of reception', () => {
    const broken = {
      name: 'a',
      span: [0, 1000],
      transmissions: Array.from({ length: 100 }, (_, i) => [i * 10, i * 10 + 5]).flat(),
    };
    const solid = { name: 'b', span: [0, 1000], transmissions: [0, 500] };
    const width = (station: typeof solid) => {
      const [row] = estimateRepeats({ stations: [station], segments: 10, target: 0.9 }).rows;
      const [low, high] = row!.interval;
      expect(low).toBeLessThan(row!.probability);
      expect(high).toBeGreaterThan(row!.probability);
      expect(row!.repeatsInterval[0]!).toBeLessThanOrEqual(row!.repeats!);
      expect(row!.repeatsInterval[1]!).toBeGreaterThanOrEqual(row!.repeats!);
      return high - low;
    };
    expect(width(solid)).toBeGreaterThan(2 * width(broken));
  });

  test('counts whole cycles per rotation when rate and rotation are known', () => {
    const known = { stations, segments: 300, target: 0.9, frameSeconds: 0.1, rotationSeconds: 94 };
    expect(estimateRepeats(known).fitPerRotation).toBe(3);
    expect(estimateRepeats({ ...known, segments: 1000 }).fitPerRotation).toBe(0);
    expect(estimateRepeats({ stations, segments: 300, target: 0.9 }).fitPerRotation).toBeNull();
  });

  test('of nothing heard needs more than any number of repeats', () => {
    const [row] = estimateRepeats({ stations: [], segments: 10, target: 0.9 }).rows;
    expect(row).toMatchObject({ probability: 0, repeats: null });
    expect(row!.repeatsInterval[1]).toBeNull();
  });
});
