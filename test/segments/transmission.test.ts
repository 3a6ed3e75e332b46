// Transmissions named from several stations' recordings of one downlink; the truth is the generator's own list of what was sent.
import fc from 'fast-check';
import { describe, expect, test } from 'vitest';
import { placeTransmissions } from '../../src/segments/transmission.js';
import {
  heardRecording,
  lossy,
  randomFiles,
  type Session,
  sendCarousel,
  smallMission,
  withAccidents,
} from '../support/campaign.js';
import { expectTrueNames, expectTrueOrder, FRAME_SECONDS, nameFrames } from './placement.js';

const files = randomFiles([40, 7, 1, 90, 33]);
const mission = (counterBits: number) => smallMission({ counterBits }).mission;
const NOON = Date.UTC(2027, 2, 14, 12);
/** When frame `time` was sent, by a clock that is `wrong` minutes fast. */
const clock = (time: number, wrong = 0): number => NOON + time * FRAME_SECONDS * 1000 + wrong * 60_000;

describe('one on-board run', () => {
  const sent = sendCarousel(files, 3000);
  const sessions: Session[] = [
    { station: 'saltmarsh', heard: lossy(sent.slice(0, 1500), 0.5, 30, 1) },
    { station: 'highfell', heard: lossy(sent.slice(1000, 2500), 0.6, 20, 2) },
    { station: 'pinebarren', heard: lossy(sent.slice(200, 2900), 0.3, 50, 3) },
  ];

  test('is one run, and every transmission has one name at every station', () => {
    const named = nameFrames(mission(32), sessions);
    expectTrueNames(named);
    expectTrueOrder(named);
    expect(named.every(({ frame, counter }) => frame.counter === counter)).toBe(true);
    expect(new Set(named.map(({ placement }) => placement.onboardRun))).toEqual(new Set([1]));
  });

  test('is named alike in whatever order the recordings come', () => {
    const recordings = sessions.map((session) => heardRecording(mission(24), session));
    const expected = placeTransmissions(recordings, 24, FRAME_SECONDS);
    fc.assert(
      fc.property(fc.shuffledSubarray(recordings, { minLength: recordings.length }), (shuffled) => {
        expect(placeTransmissions(shuffled, 24, FRAME_SECONDS)).toEqual(expected);
      }),
      { numRuns: 20 },
    );
  });

  test('of which two stations heard nothing in common still counts on, with clocks or without', () => {
    const apart: Session[] = [
      { station: 'saltmarsh', heard: sent.slice(0, 500), startedAt: clock(0, 2) },
      { station: 'highfell', heard: sent.slice(2000, 2600), startedAt: clock(2000, -3) },
    ];
    expectTrueOrder(nameFrames(mission(32), apart, FRAME_SECONDS));
    expectTrueOrder(
      nameFrames(
        mission(32),
        apart.map((session) => ({ ...session, startedAt: null })),
      ),
    );
  });

  test('holds a recording whose chunks overlap', () => {
    const heard = [...sent.slice(1100, 1600), ...sent.slice(1500, 2100), ...sent.slice(2050, 2400)];
    const named = nameFrames(mission(32), [{ station: 'lowquay', heard }, sessions[1]!]);
    expectTrueNames(named);
    expect(new Set(named.map(({ placement }) => placement.onboardRun)).size).toBe(1);
  });

  test('is bridged by a poorer recording that overlaps two richer ones, though a reboot follows in it', () => {
    const rebooted = sendCarousel(files, 6000, { events: [{ at: 2600, reboot: true, files: [...files].reverse() }] });
    const named = nameFrames(mission(32), [
      { station: 'saltmarsh', heard: rebooted.slice(0, 2000) },
      { station: 'highfell', heard: rebooted.slice(3000, 5000) },
      { station: 'lowquay', heard: lossy(rebooted.slice(1900, 3300), 0.4, 10, 9) },
    ]);
    expectTrueNames(named);
    expectTrueOrder(named);
  });
});

describe('a counter that wraps', () => {
  test.each([17, 18, 24])(
    'inside one recording is followed where another recording starts after it (%i bits)',
    (bits) => {
      const sent = sendCarousel(files, 4000, { startCounter: 2 ** bits - 1000 });
      const named = nameFrames(mission(bits), [
        { station: 'saltmarsh', heard: lossy(sent.slice(0, 2500), 0.7, 25, 4) },
        { station: 'highfell', heard: lossy(sent.slice(1500, 4000), 0.7, 25, 5) },
      ]);
      expectTrueNames(named);
      expectTrueOrder(named);
    },
  );

  test('between two recordings without overlap is told by their clocks', () => {
    const sent = sendCarousel(files, 4000, { startCounter: 2 ** 24 - 1000 });
    const named = nameFrames(
      mission(24),
      [
        { station: 'saltmarsh', heard: sent.slice(0, 900), startedAt: clock(0, 4) },
        { station: 'highfell', heard: sent.slice(1500, 2500), startedAt: clock(1500, -4) },
      ],
      FRAME_SECONDS,
    );
    expectTrueOrder(named);
  });
});

describe('a reboot', () => {
  const changed = randomFiles([25, 60, 12, 5], 2);
  const sent = sendCarousel(files, 6000, {
    startCounter: 200_000,
    events: [{ at: 2000, reboot: true, files: changed }],
  });

  test('heard by one station puts a station that only heard the later part into the later run', () => {
    const named = nameFrames(mission(24), [
      { station: 'saltmarsh', heard: lossy(sent.slice(1000, 3500), 0.6, 20, 6) },
      { station: 'highfell', heard: lossy(sent.slice(2500, 6000), 0.6, 20, 7) },
    ]);
    expectTrueNames(named);
    expectTrueOrder(named);
  });

  test('from the upper half of the counter is no jump ahead, even when the new run is first heard late', () => {
    const late = sendCarousel(files, 30_000, { startCounter: 9_000_000, events: [{ at: 1000, reboot: true }] });
    const named = nameFrames(mission(24), [
      { station: 'saltmarsh', heard: [...late.slice(0, 900), ...late.slice(25_000, 26_000)] },
    ]);
    expectTrueOrder(named);
  });

  test('into the same carousel is told by clocks that are wrong by minutes', () => {
    const same = sendCarousel(files, 400_000, { events: [{ at: 200_000, reboot: true }] });
    const named = nameFrames(
      mission(32),
      [
        { station: 'saltmarsh', heard: same.slice(0, 3000), startedAt: clock(0, 3) },
        { station: 'highfell', heard: same.slice(1000, 3500), startedAt: clock(1000, -2) },
        { station: 'pinebarren', heard: same.slice(200_500, 204_500), startedAt: clock(200_500, 4) },
        { station: 'lowquay', heard: same.slice(202_000, 203_000), startedAt: clock(202_000, -4) },
      ],
      FRAME_SECONDS,
    );
    expectTrueNames(named);
    expectTrueOrder(named);
  });

  // Nothing tells the two runs apart here: counters, contents and order agree. The names are wrong, the segments are not: a name
  // stands for the same segment wherever it was heard.
  test('into the same carousel without clocks at least never names two segments alike', () => {
    const same = sendCarousel(files, 4000, { events: [{ at: 2000, reboot: true }] });
    const named = nameFrames(mission(32), [
      { station: 'saltmarsh', heard: same.slice(100, 1900) },
      { station: 'highfell', heard: same.slice(2500, 3900) },
    ]);
    const segments = new Map<number, string>();
    for (const { order, frame } of named) {
      const segment = `${frame.file} ${frame.segment}`;
      expect(segments.get(order) ?? segment).toBe(segment);
      segments.set(order, segment);
    }
  });
});

describe('frames whose CRC passed by accident', () => {
  test.each([
    [24, 0.02],
    [32, 0.02],
    [32, 0.001],
  ])('do not split a run (%i bits, share %f)', (bits, share) => {
    const sent = sendCarousel(files, 6000, { startCounter: 5000 });
    const named = nameFrames(mission(bits), [
      { station: 'saltmarsh', heard: withAccidents(lossy(sent.slice(0, 4000), 0.6, 30, 1), share, 1, bits) },
      { station: 'highfell', heard: withAccidents(lossy(sent.slice(2000, 6000), 0.6, 30, 2), share, 2, bits) },
      { station: 'pinebarren', heard: withAccidents(lossy(sent.slice(1000, 5000), 0.6, 30, 3), share, 3, bits) },
    ]);
    expectTrueNames(named);
    expectTrueOrder(named);
    expect(new Set(named.map(({ placement }) => placement.onboardRun)).size).toBe(1);
  });
});

describe('a narrow counter', () => {
  test.each([8, 16])('of %i bits is followed over thousands of frames and silences of many turns', (bits) => {
    const sent = sendCarousel(files, 20_000);
    const heard = (from: number, to: number, seed: number) => lossy(sent.slice(from, to), 0.5, 200, seed);
    const named = nameFrames(mission(bits), [
      { station: 'saltmarsh', heard: heard(0, 12_000, 1), startedAt: clock(0, 1) },
      { station: 'highfell', heard: heard(5000, 20_000, 2), startedAt: clock(5000, -2) },
      { station: 'pinebarren', heard: heard(3000, 18_000, 3), startedAt: clock(3000, 3) },
    ]);
    expectTrueNames(named);
    expectTrueOrder(named);
  });

  // The carousel has 256 frames: counter and segment come again together, and nothing tells one turn from the next.
  test('that turns in step with the carousel at least never names two segments alike', () => {
    const sent = sendCarousel(randomFiles([100, 100, 56]), 5000);
    const named = nameFrames(mission(8), [
      { station: 'saltmarsh', heard: lossy(sent, 0.4, 100, 1) },
      { station: 'highfell', heard: lossy(sent, 0.4, 100, 2) },
    ]);
    const segments = new Map<number, string>();
    for (const { order, frame } of named) {
      const segment = `${frame.file} ${frame.segment}`;
      expect(segments.get(order) ?? segment).toBe(segment);
      segments.set(order, segment);
    }
  });

  test.each([8, 16])('of %i bits is followed through frames whose CRC passed by accident', (bits) => {
    const sent = sendCarousel(files, 8000);
    const named = nameFrames(mission(bits), [
      { station: 'saltmarsh', heard: withAccidents(lossy(sent.slice(0, 6000), 0.5, 100, 1), 0.01, 1, bits) },
      { station: 'highfell', heard: withAccidents(lossy(sent.slice(2000, 8000), 0.5, 100, 2), 0.01, 2, bits) },
    ]);
    expectTrueNames(named);
  });
});

describe('any campaign', () => {
  const passes = fc.array(
    fc.record({
      from: fc.integer({ min: 0, max: 2500 }),
      length: fc.integer({ min: 300, max: 2500 }),
      keep: fc.double({ min: 0.3, max: 1, noNaN: true }),
      burst: fc.integer({ min: 2, max: 60 }),
      seed: fc.nat(),
    }),
    { minLength: 1, maxLength: 5 },
  );

  test.each([17, 24, 32])('of one run at %i bits is named as it was sent', (bits) => {
    fc.assert(
      fc.property(passes, fc.integer({ min: 0, max: 2 ** 17 - 1 }), (chosen, startCounter) => {
        const sent = sendCarousel(files, 5000, { startCounter });
        const sessions = chosen.map(({ from, length, keep, burst, seed }, i): Session => {
          const heard = lossy(sent.slice(from, from + length), keep, burst, seed);
          return { station: `station ${i}`, heard, startedAt: clock(from, (i % 5) - 2) };
        });
        const named = nameFrames(mission(bits), sessions, FRAME_SECONDS);
        expectTrueNames(named);
        expectTrueOrder(named);
      }),
      { numRuns: 40 },
    );
  });
});
