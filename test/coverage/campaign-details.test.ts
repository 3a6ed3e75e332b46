// Timeline and sharing against sets of what each station heard, counted by brute force.
import path from 'node:path';
import fc from 'fast-check';
import { describe, expect, test } from 'vitest';
import { buildCoverage } from '../../src/coverage/build-coverage.js';
import { buildTimeline } from '../../src/coverage/build-timeline.js';
import type { Timeline } from '../../src/coverage/timeline.js';
import { OutputFolder } from '../../src/files/output-folder.js';
import {
  FRAME_SECONDS,
  fillLedger,
  lossy,
  randomFiles,
  type Sent,
  type Session,
  sendCarousel,
  smallMission,
} from '../support/campaign.js';

const files = randomFiles([12, 30, 5, 1]);
const names = ['highfell', 'lowquay', 'saltmarsh'];

async function detailsOf(sessions: readonly Session[]) {
  const ledger = fillLedger(smallMission(), sessions);
  return buildCoverage(ledger, new OutputFolder(path.join(ledger.folder, '..', 'out')), null);
}

/** `run counter` of each transmission that the lane says was received. */
function heardIn({ runs, stations }: Timeline, name: string | null): string[] {
  const { heard } = stations.find((station) => station.name === name)!;
  return heard.flatMap(([start, length, received]) => {
    expect(received).toBe(length);
    return Array.from({ length }, (_, i) => {
      const run = runs.findLast(({ at }) => at <= start + i)!;
      return `${run.run} ${run.first + start + i - run.at}`;
    });
  });
}

const named = (frames: Iterable<Sent>): string[] =>
  [...new Set([...frames].map(({ run, counter }) => `${run} ${counter}`))].sort();
const sessionsOf = (sent: readonly Sent[], seed: number): Session[] =>
  names.map((station, i) => ({ station, heard: lossy(sent, 0.6, 9, seed + i), startedAt: null }));

describe('the timeline', () => {
  test('has the transmissions that each station received, and all of them together', async () => {
    await fc.assert(
      fc.asyncProperty(fc.nat(1000), async (seed) => {
        const sessions = sessionsOf(sendCarousel(files, 300, { startCounter: 77 }), seed);
        const { timeline } = (await detailsOf(sessions)).details;
        for (const { station, heard } of sessions) expect(heardIn(timeline, station).sort()).toEqual(named(heard));
        expect(heardIn(timeline, null).sort()).toEqual(named(sessions.flatMap(({ heard }) => heard)));
        expect(timeline.joined).toBe(0);
      }),
      { numRuns: 15 },
    );
  });

  test('puts on-board runs one after the other, each with its own counters', async () => {
    const sent = sendCarousel(files, 400, { startCounter: 5000, events: [{ at: 200, reboot: true }] });
    const { timeline } = (await detailsOf(sessionsOf(sent, 3))).details;
    expect(timeline.runs.map(({ run }) => run)).toEqual([1, 2]);
    const [first, second] = timeline.runs;
    expect(second!.at).toBeGreaterThan(first!.at + first!.last - first!.first);
    expect(first!.first).toBeGreaterThanOrEqual(5000);
    expect(second!.last).toBeLessThan(200);
    expect(timeline.length).toBe(second!.at + second!.last - second!.first + 1);
  });

  test('tells when the first frame was sent by the middle one of the clocks', async () => {
    const sent = sendCarousel(files, 300);
    const sessions = [10_000, 0, -70_000].map((wrong, i) => {
      const heard = sent.slice(20 * i, 250);
      return {
        station: names[i]!,
        heard,
        startedAt: 1_800_000_000_000 + heard[0]!.time * FRAME_SECONDS * 1000 + wrong,
      };
    });
    const [run] = (await detailsOf(sessions)).details.timeline.runs;
    expect(run).toMatchObject({ first: 0, sentAt: 1_800_000_000_000, clocks: 3 });
    expect(run!.clockSpreadSeconds).toBeCloseTo(80, 6);
  });

  test('without clocks tells no time', async () => {
    const [run] = (await detailsOf(sessionsOf(sendCarousel(files, 100), 1))).details.timeline.runs;
    expect(run).toMatchObject({ sentAt: null, clocks: 0, clockSpreadSeconds: 0 });
  });

  test('joins the shortest silences where there are too many, and loses none of what was received', () => {
    const transmissions = Array.from({ length: 200 }, (_, i) => [i * 10, i * 10 + (i % 7) + 1]).flat();
    const station = { name: 'saltmarsh', transmissions, span: [0, 2000] };
    const placements = new Map([['a', [{ onboardRun: 1, shift: 0, base: 0 }]]]);
    const run = { stretch: 0, counter: 0, count: 2000, file: 1, segments: 0, key: 0, step: 1, lane: 0, at: 0 };
    const reception = { xxh64: 'a', startedAt: null, runs: [run] } as never;
    const input = {
      receptions: [reception],
      placements,
      stations: [station],
      frameSeconds: undefined,
      rotationSeconds: undefined,
    };
    const received = [...Array(200).keys()].reduce((sum, i) => sum + (i % 7) + 1, 0);
    for (const mostStretches of [1, 2, 50, 199, 200]) {
      const timeline = buildTimeline({ ...input, mostStretches });
      const { heard } = timeline.stations[0]!;
      expect(heard.length).toBeLessThanOrEqual(mostStretches);
      expect(heard.reduce((sum, [, , own]) => sum + own, 0)).toBe(received);
      expect(timeline.joined > 0).toBe(mostStretches < 200);
    }
  });
});

describe('what stations share', () => {
  test('is what plain counting gives: pairs, and what would be missing without each', async () => {
    await fc.assert(
      fc.asyncProperty(fc.nat(1000), async (seed) => {
        const sessions = sessionsOf(sendCarousel(files, 120), seed);
        const { coverage, details } = await detailsOf(sessions);
        const sets = new Map(
          sessions.map(({ station, heard }) => [
            station,
            {
              times: new Set(heard.map(({ time }) => time)),
              segments: new Set(heard.map(({ file, segment }) => `${file} ${segment}`)),
            },
          ]),
        );
        for (const { stations, transmissions, segments } of details.sharing.pairs) {
          const [a, b] = stations.map((name) => sets.get(name)!);
          expect(transmissions).toBe([...a!.times].filter((time) => b!.times.has(time)).length);
          expect(segments).toBe([...a!.segments].filter((segment) => b!.segments.has(segment)).length);
        }
        expect(details.sharing.pairs).toHaveLength(3);
        for (const { station, segments, files: lost } of details.sharing.without) {
          const others = new Set([...sets].flatMap(([name, own]) => (name === station ? [] : [...own.segments])));
          const alone = [...sets.get(station)!.segments].filter((segment) => !others.has(segment));
          expect(segments).toBe(alone.length);
          const complete = coverage.files.filter(
            ({ file, segments: { total, received } }) =>
              received === total && alone.some((segment) => segment.startsWith(`${file} `)),
          );
          expect([...lost].sort()).toEqual(complete.map(({ id }) => id).sort());
        }
      }),
      { numRuns: 15 },
    );
  });
});
