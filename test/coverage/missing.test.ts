// When missing segments were last sent, and how often segments came: against the generator's list of what was sent, searched by
// brute force.
import fc from 'fast-check';
import { describe, expect, test } from 'vitest';
import { placeLedger } from '../../src/coverage/build-coverage.js';
import type { FileCoverage, MissingRange, Strip } from '../../src/coverage/coverage.js';
import { missingRanges, receptionStrips, sentLines } from '../../src/coverage/missing.js';
import { assemble } from '../../src/files/assemble.js';
import { findFileEditions } from '../../src/files/edition.js';
import type { Ledger } from '../../src/ledger/ledger.js';
import { factsOf } from '../files/assembled.js';
import {
  fillLedger,
  type Heard,
  lossy,
  PAYLOAD,
  randomFiles,
  type Sent,
  type Session,
  sendCarousel,
  smallMission,
  withAccidents,
} from '../support/campaign.js';

const files = randomFiles([12, 30, 5, 1]);
const numbered = smallMission();
const byOffset = smallMission({ byOffset: true });

function analyse(ledger: Ledger): { missing: MissingRange[]; strips: Strip[]; files: FileCoverage[] } {
  const placements = placeLedger(ledger);
  const { editions } = findFileEditions(ledger, placements, files.map(factsOf));
  const covered = editions.map((edition) => {
    const { bytes, missing, total, received } = assemble(edition, ledger);
    const ranges = missing.flatMap((at, i) => (i % 2 === 0 ? [[at, missing[i + 1]! - 1] as [number, number]] : []));
    return { id: edition.id, name: edition.id, bytes, segments: { total, received, missing: ranges } } as FileCoverage;
  });
  return {
    missing: missingRanges(covered, editions, sentLines(ledger, placements)),
    strips: receptionStrips(editions, covered, ledger, placements),
    files: covered,
  };
}

/**
 * The latest sending of a segment that receptions tell: heard frames before and after it, nearest to it, are of its file and in
 * step, or the one is of its file and the other of the file next to it, with no room for anything else between.
 */
function latestTold(
  sent: readonly Sent[],
  heard: ReadonlySet<number>,
  file: number,
  segment: number,
): Sent | undefined {
  return sent.findLast((own) => {
    if (own.file !== file || own.segment !== segment) return false;
    const before = sent.slice(0, own.time).findLast(({ time, run }) => run === own.run && heard.has(time));
    const after = sent.slice(own.time + 1).find(({ time, run }) => run === own.run && heard.has(time));
    if (!before || !after) return false;
    const between = after.time - before.time;
    if (before.file === after.file && before.content === after.content && after.segment - before.segment === between)
      return true;
    return before.segments - before.segment + after.segment === between;
  });
}

const stationsOf = (sent: readonly Sent[], seeds: readonly number[], keep: number): Session[] =>
  seeds.map((seed, i) => ({ station: `station ${i}`, heard: lossy(sent, keep, 6, seed) }));
const timesHeard = (sessions: readonly Session[]) =>
  new Set(sessions.flatMap(({ heard }) => heard.map(({ time }) => time)));

describe('the last sending of what is missing', () => {
  test.each([
    ['segments', numbered, 1],
    ['bytes', byOffset, PAYLOAD],
  ] as const)('is the one that the receptions tell, and is not guessed (%s)', (_, mission, unit) => {
    fc.assert(
      fc.property(
        fc.array(fc.nat(), { minLength: 1, maxLength: 3 }),
        fc.double({ min: 0.1, max: 0.6, noNaN: true }),
        fc.boolean(),
        (seeds, keep, reboots) => {
          const sent = sendCarousel(files, 250, {
            startCounter: 9000,
            events: reboots ? [{ at: 120, reboot: true, files: [...files].reverse() }] : [],
          });
          // Two stations that heard two runs without anything in common could not be brought together.
          const sessions = stationsOf(sent, reboots ? seeds.slice(0, 1) : seeds, keep);
          const heard = timesHeard(sessions);
          // A frame alone tells no on-board run of its own.
          const runs = [1, 2].filter(
            (run) => sent.filter((frame) => frame.run === run && heard.has(frame.time)).length > 1,
          );
          const { missing } = analyse(fillLedger(mission, sessions));
          for (const { id, first, last, lastSent } of missing) {
            for (let at = first; at <= last; at += unit) {
              const told = latestTold(sent, heard, Number(id), Math.floor(at / unit));
              const given = lastSent && {
                run: lastSent.run,
                counter: lastSent.counter + Math.floor((at - first) / unit),
              };
              expect(given).toEqual(told ? { run: runs.indexOf(told.run) + 1, counter: told.counter } : null);
            }
          }
        },
      ),
      { numRuns: 25 },
    );
  });

  test('is told through a frame that passed its CRC by accident', () => {
    const sent = sendCarousel(files, 48, { startCounter: 100 });
    const odd: Heard = { ...sent[5]!, segment: 9, accident: true, payload: sent[9]!.payload };
    const { missing } = analyse(
      fillLedger(numbered, [{ station: 'a', heard: [...sent.slice(0, 4), odd, ...sent.slice(7)] }]),
    );
    expect(missing).toEqual([{ id: '1', name: '1', first: 4, last: 6, lastSent: { run: 1, counter: 104 } }]);
  });

  test('breaks a range where different sendings were the last', () => {
    const sent = sendCarousel(files, 96);
    // Segments 3 to 6 of file 2 were lost both times, but only 3 and 4 lie between heard frames the second time.
    const heard = sent.filter(({ file, segment, time }) =>
      file === 2 && segment >= 3 && segment <= 6 ? false : time < 48 + 15 || time > 48 + 18,
    );
    const { missing } = analyse(fillLedger(numbered, [{ station: 'a', heard }]));
    expect(missing.map(({ first, last, lastSent }) => [first, last, lastSent?.counter])).toEqual([[3, 6, 48 + 15]]);
  });

  test('is unknown for a file of which nothing was heard', () => {
    const heard = sendCarousel(files.slice(0, 2), 42);
    expect(analyse(fillLedger(numbered, [{ station: 'a', heard }])).missing).toEqual([
      { id: '3', name: '3', first: 0, last: 4, lastSent: null },
      { id: '4', name: '4', first: 0, last: 0, lastSent: null },
    ]);
  });
});

describe('the strip of a file', () => {
  test.each([
    ['segments', numbered, 1],
    ['bytes', byOffset, PAYLOAD],
  ] as const)('counts each transmission once, whoever heard it, in %s', (_, mission, unit) => {
    fc.assert(
      fc.property(
        fc.array(fc.nat(), { minLength: 1, maxLength: 3 }),
        fc.double({ min: 0, max: 1, noNaN: true }),
        (seeds, keep) => {
          const sent = sendCarousel(files, 200);
          const sessions = stationsOf(sent, seeds, keep);
          const heard = timesHeard(sessions);
          const { strips } = analyse(fillLedger(mission, sessions));
          expect(strips).toHaveLength(files.length);
          strips.forEach(({ id, total, runs }, i) => {
            const { content } = files[i]!;
            expect([id, total]).toEqual([
              String(i + 1),
              unit === 1 ? Math.ceil(content.length / PAYLOAD) : content.length,
            ]);
            const times = runs.flatMap(([first, last, n]) => Array<number>(last - first + 1).fill(n));
            const expected = Array.from({ length: total }, (_, at) => {
              const segment = Math.floor(at / unit);
              return sent.filter((frame) => frame.file === i + 1 && frame.segment === segment && heard.has(frame.time))
                .length;
            });
            expect(times).toEqual(expected);
            expect(runs.slice(1).some(([, , n], k) => n === runs[k]![2])).toBe(false);
          });
        },
      ),
      { numRuns: 20 },
    );
  });

  test('shows exactly the missing segments as never received, accidents and new editions or not', () => {
    fc.assert(
      fc.property(fc.nat(), (seed) => {
        const next = randomFiles([12, 30, 5, 1], 2);
        const sent = sendCarousel(files, 300, { events: [{ at: 150, files: next }] });
        const heard = withAccidents(lossy(sent, 0.4, 6, seed), 0.02, seed);
        const { strips, files: covered } = analyse(fillLedger(numbered, [{ station: 'a', heard }]));
        for (const { id, runs } of strips) {
          const never = runs.filter(([, , times]) => times === 0).map(([first, last]) => [first, last]);
          expect(never).toEqual(covered.find((file) => file.id === id)!.segments.missing);
        }
      }),
      { numRuns: 20 },
    );
  });
});
