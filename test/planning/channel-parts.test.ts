// The parts of the channel: periodogram against scipy, the two-state chain against its formulas, views, phases, shared losses, clocks.
import fs from 'node:fs';
import { describe, expect, test } from 'vitest';
import { rangesLength } from '../../src/bytes/ranges.js';
import {
  type Bursts,
  clusteringFactor,
  drawLosses,
  fitBursts,
  meanBurst,
  stationaryLoss,
  withLoss,
} from '../../src/planning/gilbert-elliott.js';
import { periodogram } from '../../src/planning/periodogram.js';
import { phaseProfile } from '../../src/planning/phase-profile.js';
import { seeded } from '../../src/planning/seeded.js';
import { jointLosses, lossCorrelation, sharedLoss } from '../../src/planning/shared-loss.js';
import { stationClocks, theilSen } from '../../src/planning/station-clock.js';
import { transmissionAt, turnAt } from '../../src/planning/turn-clock.js';
import { countTransitions, findViews, type View } from '../../src/planning/views.js';

const read = <T>(name: string): T =>
  JSON.parse(fs.readFileSync(new URL(`../vectors/${name}`, import.meta.url), 'utf8')) as T;

const waves = read<{
  source: string;
  cases: { name: string; at: number[]; value: number[]; weight: number[]; frequencies: number[]; power: number[] }[];
}>('periodogram.json');
const statistics = read<{
  theil: { x: number[]; y: number[]; slope: number };
  cramer: [[[number, number], [number, number]], number][];
}>('statistics.json');

test.each(waves.cases)(
  `the periodogram of $name is that of scipy.signal.lombscargle`,
  ({ at, value, weight, frequencies, power }) => {
    const samples = { at: Float64Array.from(at), value: Float64Array.from(value), weight: Float64Array.from(weight) };
    const own = periodogram(samples, Float64Array.from(frequencies));
    expect(own).toHaveLength(power.length);
    for (const [i, expected] of power.entries()) expect(own[i]!).toBeCloseTo(expected, 9);
  },
);

describe('losses in bursts', () => {
  // E. N. Gilbert, "Capacity of a burst-noise channel" (1960): with P to enter the bad state and p to leave it the chain is bad for
  // P / (P + p) of the time and for 1 / p steps in a row. His example, P = 0.03 and p = 0.25 (from memory): 0.107, 4 steps.
  const example: Bursts = { enter: 0.03, leave: 0.25 };

  test('have the stationary loss and mean burst of the formulas', () => {
    expect(stationaryLoss(example)).toBeCloseTo(0.03 / 0.28, 12);
    expect(meanBurst(example)).toBe(4);
    expect(stationaryLoss(withLoss(0.2, 0.5))).toBeCloseTo(0.2, 12);
    expect(stationaryLoss({ enter: 0, leave: 0.5 })).toBe(0);
  });

  test('are drawn with that loss and that mean burst', () => {
    const frames = 2_000_000;
    const lost = drawLosses(example, 0, frames, seeded(1));
    // Standard error: sqrt(p (1 - p) (1 + r) / (1 - r) / n) with r = 1 - 0.28.
    const error = Math.sqrt((0.107 * 0.893 * clusteringFactor(example)) / frames);
    expect(Math.abs(rangesLength(lost) / frames - 0.03 / 0.28)).toBeLessThan(4 * error);
    expect(rangesLength(lost) / (lost.length / 2)).toBeCloseTo(4, 1);
  });

  test('are found again from what was received', () => {
    const lost = drawLosses(example, 0, 1_000_000, seeded(2));
    const received = [0, ...lost, 1_000_000].slice(lost[0] === 0 ? 2 : 0, lost.at(-1) === 1_000_000 ? -2 : undefined);
    const { enter, leave } = fitBursts(countTransitions(received));
    expect(enter).toBeCloseTo(0.03, 3);
    expect(leave).toBeCloseTo(0.25, 2);
  });

  test('never count as impossible, however few were seen', () => {
    const { enter, leave } = fitBursts({ kept: 0, lost: 0, entered: 0, left: 0 });
    expect([enter, leave]).toEqual([0.5, 0.5]);
    expect(fitBursts({ kept: 100, lost: 0, entered: 0, left: 0 }).enter).toBeCloseTo(0.5 / 101, 12);
  });

  test('make n frames worth fewer trials: the variance of a share of the chain, in closed form and counted', () => {
    // Var of the mean of a stationary chain with correlation r^h tends to p (1 - p) (1 + r) / (1 - r) / n.
    const shares = Array.from({ length: 400 }, (_, i) => rangesLength(drawLosses(example, 0, 2000, seeded(i))) / 2000);
    const mean = shares.reduce((sum, share) => sum + share, 0) / shares.length;
    const variance = shares.reduce((sum, share) => sum + (share - mean) ** 2, 0) / (shares.length - 1);
    const p = stationaryLoss(example);
    // 400 values: the variance is known to 7 %.
    expect(variance / ((p * (1 - p) * clusteringFactor(example)) / 2000)).toBeGreaterThan(0.75);
    expect(variance / ((p * (1 - p) * clusteringFactor(example)) / 2000)).toBeLessThan(1.3);
  });

  test('are told from transitions: all but the last frame of each kind counts', () => {
    expect(countTransitions([0, 5, 8, 10])).toEqual({ kept: 5, lost: 2, entered: 1, left: 1 });
    expect(countTransitions([])).toEqual({ kept: 0, lost: 0, entered: 0, left: 0 });
  });
});

test('turns and transmissions turn into each other, also where the rotation drifts', () => {
  const clock = { epoch: 37, period: 600, drift: 1.3 };
  for (const n of [-2.5, 0, 0.25, 7, 11.9]) expect(turnAt(clock, transmissionAt(clock, n))).toBeCloseTo(n, 9);
});

describe('views', () => {
  const clock = { epoch: 50, period: 100, drift: 0 };

  test('are the stretches in which more was received than lost, one a turn', () => {
    const station = {
      name: 'saltmarsh',
      received: [3, 4, 30, 50, 52, 70, 131, 168, 195, 196],
      listened: [0, 300],
    };
    expect(findViews(station, clock, 0).map(({ turn, start, end }) => [turn, start, end])).toEqual([
      [0, 30, 70],
      [1, 131, 168],
      // A whole turn of listening and nothing received.
      [2, 250, 250],
    ]);
  });

  test('say where a recording began or ended in them', () => {
    const station = { name: 'saltmarsh', received: [30, 70, 130, 150], listened: [30, 150] };
    expect(findViews(station, clock, 0).map(({ openStart, openEnd }) => [openStart, openEnd])).toEqual([
      [true, false],
      [false, true],
    ]);
  });

  test('of nothing listened to are none', () => {
    expect(findViews({ name: 'saltmarsh', received: [], listened: [] }, clock, 0)).toEqual([]);
  });
});

describe('the phase profile', () => {
  test('counts what was listened to and received at each phase, over all turns', () => {
    const station = { name: 'saltmarsh', received: [40, 60, 140, 150], listened: [0, 200] };
    const bins = phaseProfile(station, { epoch: 50, period: 100, drift: 0 }, { enter: 0.5, leave: 0.5 }, 10);
    expect(bins.map(({ listened }) => listened)).toEqual(new Array(10).fill(20));
    expect(bins.map(({ received }) => received)).toEqual([0, 0, 0, 0, 20, 10, 0, 0, 0, 0]);
    expect(bins[4]!.phase).toBeCloseTo(-0.1, 12);
  });

  test('has wider intervals where losses come in bursts', () => {
    const station = { name: 'saltmarsh', received: [0, 500], listened: [0, 1000] };
    const clock = { epoch: 0, period: 10, drift: 0 };
    const width = (bursts: Bursts): number => {
      const [low, high] = phaseProfile(station, clock, bursts, 5)[0]!.interval;
      return high - low;
    };
    expect(width({ enter: 0.02, leave: 0.1 })).toBeGreaterThan(2 * width({ enter: 0.5, leave: 0.5 }));
  });
});

describe('losses of two stations', () => {
  const view = (received: number[]): View => {
    return {
      turn: 0,
      start: 0,
      end: 100,
      openStart: false,
      openEnd: false,
      received,
      transitions: countTransitions(received),
    };
  };

  test('are counted where both were in view', () => {
    expect(jointLosses(view([0, 40, 50, 100]), view([0, 45, 60, 100]))).toEqual({
      both: 5,
      onlyFirst: 5,
      onlySecond: 10,
      neither: 80,
      stretches: 1,
    });
  });

  // Of a table of two by two Cramér's V without correction is the absolute value of phi.
  test.each(statistics.cramer)('in the table %j correlate as scipy says, but for the sign', ([[a, b], [c, d]], v) => {
    const counts = { both: a, onlyFirst: b, onlySecond: c, neither: d, stretches: 1 };
    expect(Math.abs(lossCorrelation(counts))).toBeCloseTo(v, 9);
  });

  test('are taken apart into shared and own ones as they were put together', () => {
    const [s, a, b] = [0.1, 0.2, 0.05];
    const own = { both: s + (1 - s) * a * b, onlyFirst: (1 - s) * a * (1 - b), onlySecond: (1 - s) * (1 - a) * b };
    expect(sharedLoss({ ...own, neither: (1 - s) * (1 - a) * (1 - b), stretches: 1 })).toBeCloseTo(s, 12);
    expect(sharedLoss({ both: 0, onlyFirst: 0, onlySecond: 0, neither: 0, stretches: 0 })).toBe(0);
  });
});

describe('station clocks', () => {
  test('are fitted by the median of slopes, as scipy.stats.theilslopes does', () => {
    const { x, y, slope } = statistics.theil;
    expect(theilSen(x.map((own, i) => [own, y[i]!] as const)).slope).toBeCloseTo(slope, 9);
  });

  test('come out as they were set, one false reading or not', () => {
    const clock = (offset: number, drift: number, odd = 0) =>
      [0, 2000, 5000, 9000].map((transmission, i) => ({
        transmission,
        milliseconds: 1e12 + 1000 * (transmission * 0.05 * (1 + drift) + offset + (i === 1 ? odd : 0)),
      }));
    const found = stationClocks(
      [
        { name: 'saltmarsh', clocks: clock(0, 0) },
        { name: 'highfell', clocks: clock(41, 0, 3000) },
        { name: 'lowquay', clocks: clock(-7, 1e-4) },
        { name: 'pinebarren', clocks: [] },
      ],
      0.05,
    );
    expect(found.map(({ name }) => name)).toEqual(['saltmarsh', 'highfell', 'lowquay']);
    expect(found[0]!.offsetSeconds).toBeCloseTo(0, 6);
    expect(Math.abs(found[1]!.offsetSeconds - 41)).toBeLessThan(0.5);
    expect(found[2]!.drift).toBeCloseTo(1e-4, 9);
  });

  test('with a reading or two tell an offset and no drift', () => {
    const [only] = stationClocks([{ name: 'saltmarsh', clocks: [{ transmission: 10, milliseconds: 5000 }] }], 0.1);
    expect(only).toEqual({ name: 'saltmarsh', readings: 1, offsetSeconds: 0, drift: null });
  });
});
