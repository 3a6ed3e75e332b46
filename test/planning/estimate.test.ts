// Rotation, counts of repeats, resonance: against rehearsals whose truth is known, and fresh rehearsals of the same truth.
import { describe, expect, test } from 'vitest';
import { intersectRanges, normaliseRanges } from '../../src/bytes/ranges.js';
import type { Carousel } from '../../src/planning/carousel-cycle.js';
import { findCarousel } from '../../src/planning/carousel-cycle.js';
import { fitChannel, turnRecords } from '../../src/planning/channel.js';
import { completionChance } from '../../src/planning/closed-forms.js';
import { carouselOrder, countCompletions, type Order, rotationsToComplete } from '../../src/planning/completion.js';
import { estimateRepeats } from '../../src/planning/estimate-repeats.js';
import { stationaryLoss } from '../../src/planning/gilbert-elliott.js';
import { QUICK_EFFORT, repeatsCurve } from '../../src/planning/repeats.js';
import { findResonance, rotationsToCover, withLaterStart, withPause } from '../../src/planning/resonance.js';
import { findRotation } from '../../src/planning/rotation.js';
import { rotationsCurve } from '../../src/planning/rotations.js';
import { seededRandom } from '../../src/rehearsal/random.js';
import {
  freshTurns,
  listening,
  NO_BURSTS,
  plainLink,
  plainTruth,
  rehearsePass,
  STATIONS,
  trueChances,
  truePeriod,
  turnStarts,
} from './receptions.js';

const carouselOf = (...segments: number[]): Carousel =>
  findCarousel(
    segments.map((own, i) => ({ id: String(i + 1), segments: own })),
    [],
  );

/** Rotations until all segments are in, in fresh rehearsals of one turn after the other. */
function rehearseOrder(truth: ReturnType<typeof plainTruth>, { segments, segmentAt }: Order, seed: number): number {
  const missing = new Set(Array.from({ length: segments }, (_, i) => i));
  let at = seededRandom(seed, 'order').below(100_000);
  let turns = 0;
  for (const marked of freshTurns(truth, seed, 60)) {
    turns++;
    for (const heard of marked) {
      if (heard === 1) missing.delete(segmentAt(at));
      at++;
    }
    if (missing.size === 0) return turns;
  }
  return Number.POSITIVE_INFINITY;
}

describe('the rotation', () => {
  test('is found within half a percent in each of 20 rehearsals, and its 95 % interval holds it in nearly all', () => {
    const truth = plainTruth({ links: [plainLink(), plainLink({ phase: 0.04 })] });
    const held = Array.from({ length: 20 }, (_, seed) => {
      const { period, periodInterval } = findRotation(listening(rehearsePass(truth, seed)))!;
      expect(Math.abs(period / truePeriod(truth) - 1)).toBeLessThan(0.005);
      return periodInterval![0] < truePeriod(truth) && truePeriod(truth) < periodInterval![1];
    });
    // Of 20 at 95 % fewer than 17 would be a case in 60.
    expect(held.filter(Boolean).length).toBeGreaterThanOrEqual(17);
  });

  test('keeps within its interval where the signal fades by 2.5 dB towards the ends of the pass', () => {
    const truth = plainTruth({ edgeLossDb: 2.5, rate: 30 });
    const held = Array.from({ length: 10 }, (_, seed) => {
      const { periodInterval } = findRotation(listening(rehearsePass(truth, seed)), { expected: 1800 })!;
      return periodInterval![0] < truePeriod(truth) && truePeriod(truth) < periodInterval![1];
    });
    expect(held.filter(Boolean).length).toBeGreaterThanOrEqual(8);
  });

  test('that drifts is followed, and its drift told', () => {
    const base = plainTruth();
    const truth = plainTruth({ beam: { ...base.beam, driftPerTurn: 0.006 }, seconds: 900 });
    const rotation = findRotation(listening(rehearsePass(truth, 3)))!;
    expect(Math.abs(rotation.period / truePeriod(truth) - 1)).toBeLessThan(0.005);
    expect(rotation.drift).toBeGreaterThan(0.003);
    expect(rotation.drift).toBeLessThan(0.009);
  });

  test('is found, too, where the mission file is far off, and the estimate says so', () => {
    const stations = listening(rehearsePass(plainTruth(), 1));
    const rotation = findRotation(stations, { expected: 1100 })!;
    expect(Math.abs(rotation.period / 600 - 1)).toBeLessThan(0.005);
    const options = {
      stations,
      files: [{ id: '1', segments: 60 }],
      target: 0.99,
      effort: QUICK_EFFORT,
      frameSeconds: 0.1,
    };
    expect(estimateRepeats({ ...options, rotationSeconds: 110 }).notes.join(' ')).toContain('do not bear out');
    expect(estimateRepeats({ ...options, rotationSeconds: 60 }).notes.join(' ')).not.toContain('do not bear out');
  });

  test('puts each station where the beam meets it', () => {
    const truth = plainTruth({ links: [plainLink({ phase: 0.95 }), plainLink({ phase: 0.05 })] });
    const { offsets, period } = findRotation(listening(rehearsePass(truth, 1)))!;
    expect((offsets.get('highfell')! - offsets.get('saltmarsh')!) / period).toBeCloseTo(0.1, 1);
  });

  test('is not seen where there is none: steady reception, or bursts without a beat', () => {
    const steady = [{ name: 'saltmarsh', received: [0, 4000, 4010, 9000], listened: [0, 9000] }];
    expect(findRotation(steady)).toBeNull();
    const random = seededRandom(1, 'gaps');
    const received: number[] = [];
    for (let at = 0; at < 20_000; at += 20 + random.below(400)) received.push(at, (at += 20 + random.below(400)));
    expect(findRotation([{ name: 'saltmarsh', received, listened: [0, received.at(-1)!] }])).toBeNull();
    expect(findRotation([])).toBeNull();
  });

  test('of an absurd length, as a false counter or mission file would have it, is none', () => {
    const stations = listening(rehearsePass(plainTruth(), 1));
    expect(findRotation(stations, { fixed: 2 ** 23 })).toBeNull();
    expect(findRotation(stations, { fixed: 0.01 })).toBeNull();
  });

  test('heard once is taken as expected, or as given', () => {
    const [station] = listening(rehearsePass(plainTruth({ seconds: 60 }), 1));
    expect(findRotation([station!])).toBeNull();
    expect(findRotation([station!], { expected: 600 })).toMatchObject({ period: 600, periodInterval: null });
    expect(findRotation([station!], { fixed: 580 })).toMatchObject({ period: 580, periodInterval: null });
  });
});

describe('the fitted channel', () => {
  test('has the losses that were rehearsed, own and shared', () => {
    const shared = { enter: 0.02, leave: 0.4 };
    const truth = plainTruth({
      seconds: 60 * 40,
      edgeLossDb: 0,
      shared,
      links: [
        plainLink({ bursts: { enter: 0.01, leave: 0.25 }, damage: 0 }),
        plainLink({ bursts: { enter: 0.02, leave: 0.5 }, damage: 0 }),
      ],
    });
    const stations = listening(rehearsePass(truth, 1));
    const rotation = findRotation(stations)!;
    const channel = fitChannel(rotation.period, STATIONS.slice(0, 2), turnRecords(rotation, STATIONS.slice(0, 2)));
    expect(stationaryLoss(channel.shared!)).toBeCloseTo(stationaryLoss(shared), 1);
    expect(Math.abs(stationaryLoss(channel.shared!) / stationaryLoss(shared) - 1)).toBeLessThan(0.35);
    for (const { own } of channel.stations) expect(Math.abs(stationaryLoss(own) / 0.0385 - 1)).toBeLessThan(0.5);
  });
});

describe('the count of repeats', () => {
  test('agrees with the closed form where there is one: always in view, single losses', () => {
    const channel = {
      period: 1000,
      turns: 1,
      shared: null,
      stations: [{ name: 'saltmarsh', own: { enter: 0.3, leave: 0.7 }, views: [{ from: -500, to: 500 }], smear: 0 }],
    };
    // Enter and leave sum to 1: each frame is lost with chance 0.3 whatever came before.
    const counts = countCompletions(channel, carouselOf(100), [2, 4, 5, 8, 10], 4000, 1);
    for (const [i, k] of [2, 4, 5, 8, 10].entries()) {
      const chance = completionChance(0.7, k, 100);
      expect(Math.abs(counts.all[i]! / 4000 - chance)).toBeLessThan(
        4 * Math.sqrt((chance * (1 - chance)) / 4000) + 1e-9,
      );
    }
  });

  test('really reaches the target in fresh rehearsals, and two less do not', () => {
    const truth = plainTruth();
    const rotation = findRotation(listening(rehearsePass(truth, 7)))!;
    const carousel = carouselOf(40, 20);
    const curve = repeatsCurve({
      rotation,
      names: ['saltmarsh'],
      carousel,
      target: 0.95,
      effort: QUICK_EFFORT,
      seed: 1,
    });
    const chances = trueChances(truth, 60, curve.points.at(-1)!.repeats, 77, 600);
    expect(chances[curve.repeats! - 1]).toBeGreaterThanOrEqual(0.95);
    expect(chances[curve.repeats! - 3]).toBeLessThan(0.95);
    expect(curve.files.every((own) => own! <= curve.repeats!)).toBe(true);
    for (const { chance, interval } of curve.points) {
      expect(interval[0]).toBeLessThanOrEqual(chance);
      expect(interval[1]).toBeGreaterThanOrEqual(chance);
    }
  });

  test.each([1, 2, 3, 4])('never rises when an overlapping station is added, in rehearsal %i', (seed) => {
    const truth = plainTruth({
      links: [plainLink({ bursts: { enter: 0.02, leave: 0.2 } }), plainLink({ phase: 0.06 })],
    });
    const stations = listening(rehearsePass(truth, seed));
    const of = (chosen: typeof stations) =>
      estimateRepeats({ stations: chosen, files: [{ id: '1', segments: 80 }], target: 0.99, effort: QUICK_EFFORT })
        .rows[0]!.repeats!;
    expect(of(stations)).toBeLessThanOrEqual(of(stations.slice(0, 1)));
    expect(of(stations)).toBeLessThanOrEqual(of(stations.slice(1)));
  });
});

describe('the count of rotations', () => {
  test('grows surer with every rotation, and holds in fresh rehearsals', () => {
    const truth = plainTruth({ edgeLossDb: 0 });
    const rotation = findRotation(listening(rehearsePass(truth, 5)))!;
    const carousel = carouselOf(227);
    const request = { rotation, names: ['saltmarsh'], carousel, target: 0.9, effort: QUICK_EFFORT, seed: 1 };
    const { points, rotations } = rotationsCurve(request);
    const chances = points.map(({ chance }) => chance);
    expect(chances).toEqual([...chances].sort((a, b) => a - b));
    expect(chances[rotations! - 1]).toBeGreaterThanOrEqual(0.9);
    // 60 fresh campaigns, each of as many rotations as the estimate asks for: 0.9 of them, less three standard errors.
    const done = Array.from({ length: 60 }, (_, seed) => rehearseOrder(truth, carouselOrder(carousel), seed));
    expect(done.filter((own) => own <= rotations!).length / 60).toBeGreaterThan(0.9 - 3 * Math.sqrt((0.9 * 0.1) / 60));
  });
});

describe('the whole estimate', () => {
  const files = [
    { id: '1', segments: 50 },
    { id: '2', segments: 30 },
  ];
  const stations = listening(rehearsePass(plainTruth(), 1));

  test('works without rate and times: everything is told in transmissions', () => {
    const result = estimateRepeats({ stations, files, target: 0.99, effort: QUICK_EFFORT });
    expect(result.rotation).toMatchObject({ seconds: null, source: 'receptions' });
    expect(result.frameSeconds).toBeNull();
    expect(result.fitPerRotation).toBe(7);
    expect(result.rows[0]!.repeats).toBeGreaterThan(1);
    expect(result.notes.join(' ')).toContain('counted in transmissions');
    expect(result.stations[0]!.clock).toBeNull();
  });

  test('says the same each time', () => {
    const options = { stations, files, target: 0.99, effort: QUICK_EFFORT };
    expect(estimateRepeats(options)).toEqual(estimateRepeats(options));
  });

  test('of a single rotation has a wide interval and says so', () => {
    const [from, to] = turnStarts(plainTruth(), 1).slice(2, 4) as [number, number];
    const once = listening(rehearsePass(plainTruth(), 1).map((own) => intersectRanges(own, [from, to])));
    const options = { files, target: 0.99, effort: QUICK_EFFORT, frameSeconds: 0.1, rotationSeconds: 60 };
    const width = (own: typeof once): number => {
      const { curve } = estimateRepeats({ ...options, stations: own }).rows[0]!;
      return Math.max(...curve.map(({ interval }) => interval[1] - interval[0]));
    };
    const { notes, rotation } = estimateRepeats({ ...options, stations: once });
    expect(notes.join(' ')).toContain('Only one rotation was heard');
    expect(rotation).toMatchObject({ source: 'mission file', interval: null });
    expect(width(once)).toBeGreaterThan(0.6);
    expect(width(once)).toBeGreaterThan(width(stations));
  });

  test('without a rotation uses the closed forms, in all instead of per rotation', () => {
    const random = seededRandom(1, 'frames');
    const kept = Array.from({ length: 2000 }, (_, i) => i).filter(() => random.float() < 0.7);
    const received = normaliseRanges(kept.map((at) => [at, at + 1] as const));
    const result = estimateRepeats({ stations: [{ name: 'a', received, listened: [0, 2000] }], files, target: 0.99 });
    expect(result.rotation).toBeNull();
    expect(result.resonance).toBeNull();
    // 1 - (1 - 0.7)^k, 80 times over, passes 0.99 at k = 8.
    expect(result.rows[0]!.repeats).toBe(8);
    expect(result.rows[0]!.curve[7]!.chance).toBeCloseTo(completionChance(kept.length / 2000, 8, 80), 9);
  });

  test('of nothing heard needs more than any number of repeats', () => {
    const { rows, sent } = estimateRepeats({ stations: [], files, target: 0.9 });
    expect(sent).toBe(0);
    expect(rows).toHaveLength(1);
    expect(rows[0]).toMatchObject({ probability: 0, repeats: null });
  });

  test('at twice the rate fits twice the repeats, and needs no more', () => {
    const options = { stations, files, target: 0.99, effort: QUICK_EFFORT, frameSeconds: 0.1 };
    const fast = estimateRepeats({ ...options, plannedFrameSeconds: 0.05 });
    const same = estimateRepeats(options);
    expect(fast.fitPerRotation).toBe(15);
    expect(fast.rows[0]!.repeats!).toBeLessThanOrEqual(same.rows[0]!.repeats!);
  });
});

describe('the carousel', () => {
  test('goes round as often as the same file came again, with turns in between that nobody heard', () => {
    const files = [
      { id: 'a', segments: 30 },
      { id: 'b', segments: 50 },
    ];
    const sendings = [
      { id: 'a', start: 55 },
      { id: 'a', start: 255 },
      { id: 'b', start: 90 },
      { id: 'b', start: 190 },
      { id: 'a', start: 355 },
    ];
    expect(findCarousel(files, sendings)).toEqual({
      cycle: 100,
      observed: true,
      files: [
        { id: 'a', segments: 30, place: 0 },
        { id: 'b', segments: 50, place: 35 },
      ],
    });
  });

  test('never heard twice is as long as its files', () => {
    expect(findCarousel([{ id: 'a', segments: 7 }], [])).toMatchObject({ cycle: 7, observed: false });
  });
});

describe('resonance', () => {
  test('of a cycle of half the rotation is flagged, and the proposed order at least halves the rotations in fresh rehearsals', () => {
    const truth = plainTruth({ edgeLossDb: 0 });
    const stations = listening(rehearsePass(truth, 5));
    const rotation = findRotation(stations)!;
    const channel = fitChannel(rotation.period, ['saltmarsh'], turnRecords(rotation, ['saltmarsh']));
    const carousel = carouselOf(180, 120);
    const found = findResonance(channel, carousel, { target: 0.9, drawn: 60, seed: 1 });
    expect(found.resonant).toBe(true);
    expect(found.ratio).toMatchObject({ turns: 2, rotations: 1 });
    expect(found.best.rotations!).toBeGreaterThanOrEqual(found.ideal!);

    const present = carouselOrder(carousel);
    const { kind, frames } = found.best;
    expect(['pause', 'later start']).toContain(kind);
    const better = kind === 'pause' ? withPause(present, 300, frames) : withLaterStart(present, 300, frames);
    const middle = (order: Order) =>
      [1, 2, 3, 4, 5, 6, 7].map((seed) => rehearseOrder(truth, order, seed)).sort((a, b) => a - b)[3]!;
    expect(middle(better)).toBeLessThanOrEqual(middle(present) / 2);
    expect(Number.isFinite(middle(better))).toBe(true);
  });

  test('is not seen where the carousel runs free', () => {
    const rotation = findRotation(listening(rehearsePass(plainTruth({ edgeLossDb: 0 }), 5)))!;
    const channel = fitChannel(rotation.period, ['saltmarsh'], turnRecords(rotation, ['saltmarsh']));
    expect(findResonance(channel, carouselOf(227), { target: 0.9, drawn: 60, seed: 1 }).resonant).toBe(false);
  });

  test('covers the rotation after as many turns as the gaps between its phases say', () => {
    // Steps of a third: three phases a rotation, for ever; a view of 0.34 has always one of them, one of 0.3 misses for ever.
    expect(rotationsToCover(1 / 3, 0.34, 1)).toBe(1);
    expect(rotationsToCover(1 / 3, 0.3, 1)).toBeNull();
    // Steps of 0.4: phases 0, 0.4, 0.8, then 0.2, 0.6: no gap above 0.2 once two rotations are over.
    expect(rotationsToCover(0.4, 0.21, 1)).toBe(2);
    expect(rotationsToCover(0.4, 0.41, 1)).toBe(1);
    // Twice each: two neighbours within the view.
    expect(rotationsToCover(0.4, 0.41, 2)).toBe(2);
  });

  test('with an ideal code any frames will do, so that no order is faster', () => {
    const channel = {
      period: 100,
      turns: 1,
      shared: null,
      stations: [{ name: 'a', own: NO_BURSTS, views: [{ from: -20, to: 20 }], smear: 0 }],
    };
    expect(rotationsToComplete(channel, { ideal: 81 }, { drawn: 3, most: 9, seed: 1 })).toEqual([3, 3, 3]);
    expect(rotationsToComplete(channel, carouselOrder(carouselOf(50)), { drawn: 3, most: 9, seed: 1 })).toEqual([
      Number.POSITIVE_INFINITY,
      Number.POSITIVE_INFINITY,
      Number.POSITIVE_INFINITY,
    ]);
  });
});
