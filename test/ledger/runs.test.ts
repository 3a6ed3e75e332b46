// Segments kept by the run against the same ones kept one by one: the same lanes, the same contents, the same journal.
import fs from 'node:fs';
import path from 'node:path';
import fc from 'fast-check';
import { expect, test } from 'vitest';
import { takeFastMemory } from '../../src/bytes/fast-memory.js';
import { distanceTo, type Spread } from '../../src/bytes/spread.js';
import { hashLow } from '../../src/bytes/xxh64.js';
import { Ledger } from '../../src/ledger/ledger.js';
import { type SegmentRun, type SegmentStore, storeRun } from '../../src/segments/run.js';
import { noise } from '../layers/seeded.js';
import { contents, missionText, scratchFolder } from './material.js';

const PAYLOAD = 12;
const STRIDE = 20;
const MOST = 9000;
const room = takeFastMemory(2 * STRIDE * MOST)!;

/** Payloads stand in threes, with something between. */
const SPREAD: Spread = { start: 3, stride: STRIDE, group: 3, phase: 1, skip: 11 };

type Handed = { file: number; segments: number; key: number; count: number; isLast: boolean; content: number };

/** The run's payloads, so that the same segment with the same `content` has the same bytes. */
function runOf({ file, segments, key, count, isLast, content }: Handed, step: number): SegmentRun {
  const hashes = new Uint32Array(count + 1);
  const lastLength = isLast ? 5 : PAYLOAD;
  for (let i = 0; i < count; i++) {
    const start = SPREAD.start + distanceTo(i, SPREAD);
    // Every seventh segment alone has several contents: in the others they are the same.
    const own = (key + i) % 7 === 0 ? content : 0;
    room.set(noise(PAYLOAD, 1000 * file + 100 * own + ((key + i) % 97)), start);
    hashes[i + 1] = hashLow(room, start, start + (i === count - 1 ? lastLength : PAYLOAD));
  }
  const named = { file, segments, key: key * step, step, count };
  return { ...named, ...SPREAD, bytes: room, length: PAYLOAD, lastLength, hashes, hashAt: 1 };
}

const handed = fc.record({
  file: fc.integer({ min: 1, max: 2 }),
  segments: fc.constantFrom(0, 5000),
  // Around the borders of the tables' pages, too.
  key: fc.oneof(fc.nat(40), fc.integer({ min: 4080, max: 4110 })),
  count: fc.integer({ min: 1, max: 60 }),
  isLast: fc.boolean(),
  content: fc.nat(2),
});

test.each([false, true])('runs are kept as their segments are, one by one (byte offsets: %s)', (byOffset) => {
  const mission = missionText({ payload: PAYLOAD, byOffset });
  const step = byOffset ? PAYLOAD : 1;
  let taken = 0;
  fc.assert(
    fc.property(fc.array(handed, { minLength: 1, maxLength: 12 }), (list) => {
      const ledgers = [0, 1].map(() => Ledger.open(path.join(scratchFolder(), 'ledger'), { mission, stepBytes: 500 }));
      const [many, single] = ledgers as [Ledger, Ledger];
      const oneByOne: SegmentStore = { store: (...segment) => single.store(...segment) };
      for (const one of list) {
        const run = runOf(one, step);
        const lanes = [many, oneByOne].map((store) => {
          const told: number[] = [];
          storeRun(run, store, (from, count, lane) => {
            expect(from).toBe(told.length);
            if (count > 1) taken += count;
            for (let i = 0; i < count; i++) told.push(lane);
          });
          expect(told).toHaveLength(run.count);
          return told;
        });
        expect(lanes[0]).toEqual(lanes[1]);
      }
      for (const ledger of ledgers) ledger.close();
      const [a, b] = ledgers.map(({ folder }) => contents(path.join(folder, 'data')));
      expect(a).toEqual(b);
      // Opened again, both say the same is there: what the journal kept.
      const [first, second] = ledgers.map(({ folder }) => {
        const again = Ledger.open(folder);
        // By file: in which order they came to be journalled depends on when a step was due.
        const there = Object.fromEntries(
          [...again.files.values()].map(({ id, lanes }) => [
            id,
            lanes.map(({ table }) => [...table.keys()].map((key) => [key, table.lengthOf(key), table.hashOf(key)])),
          ]),
        );
        again.close();
        return there;
      });
      expect(first).toEqual(second);
      for (const { folder } of ledgers) fs.rmSync(path.dirname(folder), { recursive: true });
    }),
    { numRuns: 60 },
  );
  expect(taken).toBeGreaterThan(0);
});

test('a run longer than a page of the table, than a record of the journal and than what is gathered is kept whole', () => {
  const ledger = Ledger.open(path.join(scratchFolder(), 'ledger'), { mission: missionText({ payload: PAYLOAD }) });
  for (let round = 0; round < 12; round++) {
    const run = runOf({ file: 1, segments: 0, key: round * MOST, count: MOST, isLast: false, content: 0 }, 1);
    storeRun(run, ledger, (_from, _count, lane) => expect(lane).toBe(0));
  }
  ledger.close();
  const again = Ledger.open(ledger.folder);
  const [stored] = again.files.values();
  const [lane] = stored!.lanes;
  expect(lane!.table.ranges()).toEqual([0, 12 * MOST]);
  const into = Buffer.alloc(PAYLOAD * 1000);
  for (let key = 0; key < 12 * MOST; key += 1000) again.readSegments(stored!, lane!, key, 1000, into);
  expect(again.lostSegments).toBe(0);
  again.close();
});
