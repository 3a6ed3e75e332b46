// The tables of segments against a plain Map that does the same the slow way.
import fc from 'fast-check';
import { describe, expect, test } from 'vitest';
import { ChunkTable } from '../../src/ledger/chunk-table.js';
import { NumberedTable, OffsetTable, type SegmentTable } from '../../src/ledger/segment-table.js';

const SIZE = 10;

type Command = { what: 'add'; key: number; length: number; hash: number } | { what: 'lose'; key: number };

const commands = (key: fc.Arbitrary<number>): fc.Arbitrary<Command[]> =>
  fc.array(
    fc.oneof(
      {
        weight: 3,
        arbitrary: fc.record({
          what: fc.constant('add' as const),
          key,
          length: fc.integer({ min: 0, max: SIZE }),
          hash: fc.integer({ min: 0, max: 2 ** 32 - 1 }),
        }),
      },
      { weight: 1, arbitrary: fc.record({ what: fc.constant('lose' as const), key }) },
    ),
    { maxLength: 60 },
  );

type Model = Map<number, { length: number; hash: number; there: boolean }>;

function check(
  table: SegmentTable,
  list: readonly Command[],
  cover: (key: number, length: number) => [number, number],
): void {
  const model: Model = new Map();
  for (const command of list) {
    if (command.what === 'add') {
      table.add(command.key, command.length, command.hash);
      model.set(command.key, { length: command.length, hash: command.hash, there: true });
    } else {
      table.lose(command.key);
      const known = model.get(command.key);
      if (known) known.there = false;
    }
  }
  const sorted = [...model].sort(([a], [b]) => a - b);
  const there = sorted.filter(([, content]) => content.there);
  expect(table.size).toBe(there.length);
  expect([...table.keys()]).toEqual(there.map(([key]) => key));
  expect([...table.lost()].map(({ key, length, hash }) => ({ key, length, hash }))).toEqual(
    sorted.filter(([, content]) => !content.there).map(([key, { length, hash }]) => ({ key, length, hash })),
  );
  for (const key of new Set([...model.keys(), ...list.map((command) => command.key + 1), 0])) {
    const known = model.get(key);
    expect(table.isFree(key)).toBe(known === undefined);
    expect(table.hashOf(key)).toBe(known?.there ? known.hash : -1);
    expect(table.lengthOf(key)).toBe(known?.there ? known.length : 0);
    if (!known) continue;
    expect(table.isFor(key, known.length, known.hash)).toBe(true);
    expect(table.isFor(key, known.length + 1, known.hash)).toBe(false);
    expect(table.isFor(key, known.length, known.hash ^ 1)).toBe(false);
  }
  const covered = new Set<number>();
  for (const [key, { length }] of there) {
    const [start, end] = cover(key, length);
    for (let at = start; at < end; at++) covered.add(at);
  }
  const ranges = table.ranges();
  const inRanges: number[] = [];
  for (let i = 0; i < ranges.length; i += 2) {
    if (i > 0) expect(ranges[i]!).toBeGreaterThan(ranges[i - 1]!);
    for (let at = ranges[i]!; at < ranges[i + 1]!; at++) inRanges.push(at);
  }
  expect(inRanges).toEqual([...covered].sort((a, b) => a - b));
}

// Keys that meet often, at the border of a page, and far out.
const numbers = fc.oneof(
  fc.integer({ min: 0, max: 12 }),
  fc.integer({ min: 4090, max: 4100 }),
  fc.integer({ min: 2 ** 47, max: 2 ** 47 + 2 }),
);

describe('a table of segments', () => {
  test('by number holds what a plain Map holds', () => {
    fc.assert(fc.property(commands(numbers), (list) => check(new NumberedTable(SIZE), list, (key) => [key, key + 1])));
  });

  test('by byte offset holds what a plain Map holds, at multiples of the payload size and between them', () => {
    const offsets = fc.oneof(
      numbers.map((number) => number * SIZE),
      fc.integer({ min: 0, max: 60 }),
    );
    fc.assert(
      fc.property(commands(offsets), (list) =>
        check(new OffsetTable(SIZE), list, (key, length) => [key, key + length]),
      ),
    );
  });

  test('of any length holds what a plain Map holds, and has room only where nothing is', () => {
    const chunk = fc.record({
      what: fc.constantFrom('add' as const, 'add' as const, 'lose' as const),
      key: fc.oneof(
        fc.integer({ min: 0, max: 40 }),
        fc.integer({ min: 0, max: 12 }).map((number) => number * 7),
      ),
      length: fc.oneof(fc.constant(7), fc.integer({ min: 1, max: 12 })),
      hash: fc.nat(3),
    });
    fc.assert(
      fc.property(fc.array(chunk, { maxLength: 40 }), (list) => {
        const table = new ChunkTable();
        const model = new Map<number, { length: number; hash: number; there: boolean }>();
        const isFree = (key: number, length: number): boolean =>
          [...model].every(([own, content]) => own >= key + length || own + content.length <= key);
        for (const { what, key, length, hash } of list) {
          expect(table.isFree(key, length)).toBe(isFree(key, length));
          if (what === 'lose') {
            table.lose(key);
            const known = model.get(key);
            if (known) known.there = false;
          } else if (isFree(key, length) || table.isFor(key, length, hash)) {
            table.add(key, length, hash);
            model.set(key, { length, hash, there: true });
          }
        }
        const sorted = [...model].sort(([a], [b]) => a - b);
        const there = sorted.filter(([, content]) => content.there);
        expect([...table.keys()].map((key) => [key, table.lengthOf(key), table.hashOf(key)])).toEqual(
          there.map(([key, { length, hash }]) => [key, length, hash]),
        );
        expect(table.size).toBe(there.length);
        expect([...table.lost()].map(({ key }) => key)).toEqual(
          sorted.filter(([, content]) => !content.there).map(([key]) => key),
        );
        expect(table.fullLength).toBe(Math.max(0, ...sorted.map(([, { length }]) => length)));
        const covered = there.reduce((sum, [, { length }]) => sum + length, 0);
        const ranges = table.ranges();
        expect(ranges.reduce((sum, at, i) => sum + (i % 2 === 0 ? -at : at), 0)).toBe(covered);
      }),
      { numRuns: 500 },
    );
  });

  test('may lose segments while its keys are gone through', () => {
    for (const table of [new NumberedTable(SIZE), new OffsetTable(SIZE)]) {
      for (let number = 0; number < 10_000; number++) table.add(number * SIZE, SIZE, number);
      let seen = 0;
      for (const key of table.keys()) {
        table.lose(key);
        seen++;
      }
      expect(seen).toBe(10_000);
      expect(table.size).toBe(0);
    }
  });
});
