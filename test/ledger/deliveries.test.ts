// What a ledger keeps of a file delivery: payloads of any length, overlapping ones apart, and what Metadata and EOF said.
import fs from 'node:fs';
import path from 'node:path';
import fc from 'fast-check';
import { describe, expect, test } from 'vitest';
import { Ledger } from '../../src/ledger/ledger.js';
import { mergeLedger } from '../../src/ledger/merge.js';
import { packLedger, unpackLedger } from '../../src/ledger/pack.js';
import { decodeReception, encodeReception, type Reception } from '../../src/ledger/reception-file.js';
import { transactionFile } from '../../src/mission/segmentation.js';
import {
  carousel,
  contentsOf,
  deliveryMission,
  handIn,
  newLedger,
  packetsOnly,
  unitsOf,
} from '../support/deliveries.js';

const mission = deliveryMission(packetsOnly);

type Piece = { readonly file: number; readonly key: number; readonly fill: number; readonly length: number };
const pieces = fc.array(
  fc.record({
    file: fc.nat(1),
    key: fc.oneof(
      fc.nat(40),
      fc.nat(6).map((number) => 8 * number),
    ),
    fill: fc.nat(2),
    length: fc.oneof(fc.constant(8), fc.integer({ min: 1, max: 12 })),
  }),
  { minLength: 1, maxLength: 30 },
);
const bytesOf = ({ key, fill, length }: Piece): Buffer =>
  Buffer.from(Array.from({ length }, (_, i) => fill * 50 + key + i));

/** Every content of every lane, read back and checked against its CRC. */
function stored(ledger: Ledger): string[] {
  const found: string[] = [];
  for (const file of ledger.files.values()) {
    for (const lane of file.lanes) {
      for (const key of lane.table.keys()) {
        const into = Buffer.alloc(lane.table.lengthOf(key));
        ledger.readSegments(file, lane, key, 1, into);
        found.push(`${file.id} ${key} ${into.toString('hex')}`);
      }
    }
  }
  expect(ledger.lostSegments).toBe(0);
  return found.sort();
}

describe('payloads of any length', () => {
  test('are all kept, overlapping or not, and all there when the ledger is opened again', () => {
    fc.assert(
      fc.property(pieces, (list) => {
        const ledger = newLedger(mission);
        const expected = new Set<string>();
        for (const piece of list) {
          const bytes = bytesOf(piece);
          if (ledger.store(piece.file, 0, piece.key, bytes, 0, bytes.length) < 0) continue;
          expected.add(`${piece.file}-0 ${piece.key} ${bytes.toString('hex')}`);
        }
        ledger.commit();
        expect(stored(ledger)).toEqual([...expected].sort());
        ledger.close();
        const again = Ledger.open(ledger.folder);
        try {
          expect(stored(again)).toEqual([...expected].sort());
        } finally {
          again.close();
        }
      }),
      { numRuns: 25 },
    );
  });

  test('that follow each other are read in one go', () => {
    const ledger = newLedger(mission);
    const content = Buffer.from(Array.from({ length: 230 }, (_, i) => i));
    for (const key of [0, 100, 200]) ledger.store(7, 0, key, content, key, Math.min(100, 230 - key));
    const file = ledger.files.get('7-0')!;
    const into = Buffer.alloc(230);
    ledger.readSegments(file, file.lanes[0]!, 0, 3, into);
    expect(into.equals(content)).toBe(true);
    expect(file.lanes[0]!.table.fullLength).toBe(100);
  });

  test('are merged whole, whichever ledger comes first', () => {
    fc.assert(
      fc.property(pieces, pieces, (a, b) => {
        const fill = (list: readonly Piece[]): Ledger => {
          const ledger = newLedger(mission);
          for (const piece of list) ledger.store(piece.file, 0, piece.key, bytesOf(piece), 0, piece.length);
          ledger.commit();
          return ledger;
        };
        const [one, other] = [fill(a), fill(b)];
        const there = [...new Set([...stored(one), ...stored(other)])].sort();
        one.close();
        other.close();
        for (const [from, to] of [
          [one, other],
          [other, one],
        ] as const) {
          const merged = newLedger(mission);
          mergeLedger(from.folder, merged.folder, merged);
          mergeLedger(to.folder, merged.folder, merged);
          // Sixteen lanes may not be enough for pieces that overlap as these do.
          const found = stored(merged);
          if ([...merged.files.values()].every(({ lanes }) => lanes.length < 16)) expect(found).toEqual(there);
        }
      }),
      { numRuns: 25 },
    );
  });
});

const reception: Reception = {
  station: 'saltmarsh',
  name: 'a.bin',
  xxh64: '0'.repeat(16),
  bytes: 10,
  startedAt: null,
  frames: { intact: 1, damaged: 0 },
  stretches: [5],
  runs: [],
  damaged: [],
  problems: [],
};
const delivery = {
  file: transactionFile(1, 42),
  source: 1,
  sequence: 42,
  stretch: 0,
  counter: 5,
  name: 'limb.jpg',
  bytes: null,
  checksumType: 3,
  checksum: 4_000_000_000,
  condition: 0,
};

describe('what Metadata and EOF said', () => {
  test('is kept in the reception, which then is of the second format', () => {
    const text = encodeReception({ ...reception, deliveries: [delivery] });
    expect(JSON.parse(text)).toMatchObject({ format: 'passweave-reception/2' });
    expect(decodeReception(text)).toEqual({ ...reception, deliveries: [delivery] });
  });

  test('is nothing in receptions of the first format, which read and write as before', () => {
    const text = encodeReception(reception);
    expect(JSON.parse(text)).toMatchObject({ format: 'passweave-reception/1' });
    expect(decodeReception(text)).toEqual(reception);
    expect('deliveries' in decodeReception(text)).toBe(false);
  });

  test.each([
    ['a stretch that there is not', { stretch: 1 }],
    ['a name longer than any PDU holds', { name: 'x'.repeat(256) }],
    ['a negative size', { bytes: -1 }],
    ['a condition that four bits do not hold', { condition: 16 }],
  ])('with %s is not taken', (_, change) => {
    expect(() =>
      decodeReception(encodeReception({ ...reception, deliveries: [{ ...delivery, ...change }] })),
    ).toThrow();
  });

  test('goes with a packed ledger', async () => {
    const ledger = newLedger(mission);
    handIn(ledger, { station: 'saltmarsh', units: unitsOf(mission, carousel(contentsOf([250]), 1)) });
    const deliveries = [...ledger.receptions.values()].map((own) => own.deliveries);
    ledger.close();
    const zip = path.join(path.dirname(ledger.folder), 'a.zip');
    await packLedger(ledger.folder, zip);
    const unpacked = await unpackLedger(zip);
    const again = Ledger.open(unpacked.folder);
    try {
      expect([...again.receptions.values()].map((own) => own.deliveries)).toEqual(deliveries);
      expect(deliveries[0]).toHaveLength(1);
    } finally {
      again.close();
      unpacked.discard();
      fs.rmSync(zip);
    }
  });
});
