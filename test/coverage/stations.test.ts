// The stations' numbers against sets of what each heard, counted by brute force.
import fs from 'node:fs';
import path from 'node:path';
import fc from 'fast-check';
import { describe, expect, test } from 'vitest';
import { buildCoverage, placeLedger } from '../../src/coverage/build-coverage.js';
import { stationCoverage, stationReceptions } from '../../src/coverage/stations.js';
import { findFileEditions } from '../../src/files/edition.js';
import { OutputFolder } from '../../src/files/output-folder.js';
import type { Ledger } from '../../src/ledger/ledger.js';
import { coverageJson } from '../../src/report/json.js';
import {
  fillLedger,
  type Heard,
  lossy,
  randomFiles,
  type Sent,
  type Session,
  sendCarousel,
  smallMission,
} from '../support/campaign.js';

const files = randomFiles([12, 30, 5, 1]);
const sent = sendCarousel(files, 400);

function count(ledger: Ledger): ReturnType<typeof stationCoverage> {
  const placements = placeLedger(ledger);
  const { editions } = findFileEditions(ledger, placements, []);
  return stationCoverage(stationReceptions(ledger, placements, editions));
}

const segmentOf = ({ file, segment }: Sent) => `${file} ${segment}`;
const intactOf = (sessions: readonly Session[]) =>
  sessions.flatMap(({ heard }) => heard.filter(({ damaged }) => !damaged));

/** The same numbers, from sets. */
function countBySets(sessions: readonly Session[]) {
  const names = [...new Set(sessions.map(({ station }) => station))].sort();
  const own = (name: string) => sessions.filter(({ station }) => station === name);
  const times = (some: readonly Session[]) => new Set(intactOf(some).map(({ time }) => time));
  const segments = (some: readonly Session[]) => new Set(intactOf(some).map(segmentOf));
  return names.map((name) => {
    const others = sessions.filter(({ station }) => station !== name);
    const [heard, elsewhere] = [times(own(name)), times(others)];
    const [held, heldElsewhere] = [segments(own(name)), segments(others)];
    const intact = intactOf(own(name)).length;
    const damaged = own(name).flatMap(({ heard: frames }) => frames.filter((frame) => frame.damaged)).length;
    const inSpan = new Set<number>();
    for (const { heard: frames } of own(name)) {
      const told = frames.filter((frame) => !frame.damaged).map(({ time }) => time);
      for (let time = Math.min(...told); time <= Math.max(...told); time++) inSpan.add(time);
    }
    return {
      name,
      frames: {
        read: intact + damaged,
        intact,
        damaged,
        duplicate: [...heard].filter((time) => elsewhere.has(time)).length,
        overlapping: intact - heard.size,
        lost: inSpan.size - heard.size,
      },
      segments: {
        received: held.size,
        onlyHere: [...held].filter((segment) => !heldElsewhere.has(segment)).length,
        repeated: heard.size - held.size,
      },
    };
  });
}

const sessionsOf = fc.array(
  fc.record({
    station: fc.constantFrom('saltmarsh', 'highfell', '__proto__', 'constructor'),
    from: fc.integer({ min: 0, max: 300 }),
    length: fc.integer({ min: 60, max: 200 }),
    keep: fc.double({ min: 0.3, max: 1, noNaN: true }),
    seed: fc.nat(),
  }),
  { minLength: 1, maxLength: 6 },
);

describe("the stations' numbers", () => {
  test.each([
    ['by number', smallMission()],
    ['by offset', smallMission({ byOffset: true })],
  ])('are what counting sets gives, with segments named %s', (_, mission) => {
    fc.assert(
      fc.property(sessionsOf, (chosen) => {
        const sessions = chosen
          .map(({ station, from, length, keep, seed }): Session => {
            const heard = lossy(sent.slice(from, from + length), keep, 8, seed).map(
              (frame, i): Heard => ({ ...frame, damaged: i % 11 === 5 }),
            );
            return { station, heard };
          })
          .filter(({ heard }) => heard.length > 0);
        // A recording handed in twice is one recording.
        const distinct = [
          ...new Map(
            sessions.map((session) => [
              JSON.stringify(session.heard.map(({ time }) => time)) + session.station,
              session,
            ]),
          ).values(),
        ];
        const { rows, transmissions } = count(fillLedger(mission, sessions));
        const expected = countBySets(distinct);
        expect(rows.map(({ name, frames, segments }) => ({ name, frames, segments }))).toEqual(expected);
        const all = new Set(intactOf(distinct).map(({ time }) => time)).size;
        const held = new Set(intactOf(distinct).map(segmentOf)).size;
        const perStation = expected.reduce((sum, { frames }) => sum + frames.intact - frames.overlapping, 0);
        expect(transmissions).toEqual({ received: all, acrossStations: perStation - all, acrossRepeats: all - held });
      }),
      { numRuns: 30 },
    );
  });

  test('lose nothing to a frame that passed its CRC with a false counter', () => {
    const accident: Heard = { ...sent[50]!, counter: 3_000_000_000, accident: true };
    const heard = [...sent.slice(0, 50), accident, ...sent.slice(51, 100)];
    const [row] = count(fillLedger(smallMission(), [{ station: 'saltmarsh', heard }])).rows;
    expect(row!.frames).toMatchObject({ intact: 100, lost: 0, overlapping: 0 });
  });

  test('keep what a station lost apart for each on-board run', () => {
    const rebooted = sendCarousel(files, 3000, { startCounter: 50_000, events: [{ at: 1000, reboot: true }] });
    const heard = [
      ...rebooted.slice(100, 300),
      ...rebooted.slice(310, 500),
      ...rebooted.slice(2000, 2100),
      ...rebooted.slice(2105, 2200),
    ];
    const [row] = count(fillLedger(smallMission(), [{ station: 'saltmarsh', heard }])).rows;
    expect(row!.frames.lost).toBe(10 + 5);
  });
});

test.each(['__proto__', 'constructor', 'toString', 'hasOwnProperty'])(
  'a station named %s is in the coverage like any other',
  async (station) => {
    const ledger = fillLedger(smallMission(), [
      { station, heard: sent.slice(0, 48) },
      { station: 'highfell', heard: sent.slice(20, 60) },
    ]);
    const folder = new OutputFolder(path.join(ledger.folder, '..', 'out'));
    const { coverage } = await buildCoverage(ledger, folder, null);
    expect(coverage.stations.map(({ name }) => name)).toContain(station);
    for (const { stations } of coverage.files) expect(Object.keys(stations)).toContain(station);
    expect(new Map(Object.entries(coverage.files[0]!.stations)).get(station)).toBe(12);
    const text = coverageJson({ coverage });
    const written = JSON.parse(text) as typeof coverage;
    expect(Object.entries(written.files[0]!.stations)).toContainEqual([station, 12]);
    expect(fs.readdirSync(folder.resolve('files'))).toHaveLength(files.length);
  },
);
