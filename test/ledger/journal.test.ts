// The journal against what it was given: whole, cut anywhere, damaged anywhere.
import fs from 'node:fs';
import path from 'node:path';
import fc from 'fast-check';
import { describe, expect, test } from 'vitest';
import { realDisk } from '../../src/ledger/disk.js';
import { encodeEntry, Journal, type JournalDamage, type JournalEntry, MAX_BATCH } from '../../src/ledger/journal.js';
import { scratchFolder } from './material.js';

const u32 = fc.integer({ min: 0, max: 2 ** 32 - 1 });
const u48 = fc.integer({ min: 0, max: 2 ** 48 - 1 });
const lane = { file: u48, segments: u48, lane: fc.integer({ min: 0, max: 255 }) };
const entry: fc.Arbitrary<JournalEntry> = fc.oneof(
  fc.record({
    kind: fc.constant('segments' as const),
    ...lane,
    key: u48,
    step: u32,
    lastLength: u32,
    hashes: fc.array(u32, { maxLength: 40 }),
  }),
  fc.record({ kind: fc.constant('lost' as const), ...lane, key: u48 }),
);

const batch = (key: number, count: number): JournalEntry => {
  return {
    kind: 'segments',
    file: 7,
    segments: 500,
    lane: 0,
    key,
    step: 1,
    lastLength: 100,
    hashes: Array.from({ length: count }, (_, i) => key * 1000 + i),
  };
};

/** What opening a journal of these bytes gives, and what it leaves on disk. */
function open(file: string, bytes?: Uint8Array): { entries: JournalEntry[]; damage: JournalDamage; left: Buffer } {
  if (bytes) fs.writeFileSync(file, bytes);
  const entries: JournalEntry[] = [];
  const { journal, damage } = Journal.open(realDisk, file, (one) => entries.push(one));
  journal.close();
  return { entries, damage, left: fs.readFileSync(file) };
}

const CLEAN = { tornTail: 0, skipped: 0 };

describe('the journal', () => {
  test('gives back every entry, in order, however they were appended', () => {
    const file = path.join(scratchFolder(), 'journal');
    fc.assert(
      fc.property(fc.array(fc.array(entry, { maxLength: 5 }), { maxLength: 5 }), (appends) => {
        fs.rmSync(file, { force: true });
        for (const entries of appends) {
          const { journal } = Journal.open(realDisk, file, () => undefined);
          journal.append(entries);
          journal.append(entries);
          journal.close();
        }
        const { entries, damage } = open(file);
        expect(entries).toEqual(appends.flatMap((one) => [...one, ...one]));
        expect(damage).toEqual(CLEAN);
      }),
      { numRuns: 60 },
    );
  });

  test('cut at every byte of its last record keeps the records before it, and goes on after them', () => {
    const file = path.join(scratchFolder(), 'journal');
    const entries = [batch(0, 5), batch(5, 3)];
    const [first, last] = entries.map(encodeEntry) as [Buffer, Buffer];
    for (let cut = 0; cut < last.length; cut++) {
      const opened = open(file, Buffer.concat([first, last.subarray(0, cut)]));
      expect(opened.entries, `cut at ${cut}`).toEqual([entries[0]]);
      expect(opened.damage).toEqual({ tornTail: cut, skipped: 0 });
      expect(opened.left.equals(first)).toBe(true);
      const { journal } = Journal.open(realDisk, file, () => undefined);
      journal.append([batch(90, 2)]);
      journal.close();
      expect(open(file)).toMatchObject({ entries: [entries[0], batch(90, 2)], damage: CLEAN });
    }
  });

  test('damaged at every byte of a record in the middle loses that record alone, and says so once', () => {
    const file = path.join(scratchFolder(), 'journal');
    const entries = [
      batch(0, 5),
      batch(5, 3),
      batch(8, 4),
      { kind: 'lost', file: 7, segments: 500, lane: 0, key: 2 } as const,
    ];
    const records = entries.map(encodeEntry);
    const start = records[0]!.length;
    for (let at = 0; at < records[1]!.length; at++) {
      const bytes = Buffer.concat(records);
      bytes[start + at]! ^= 0xff;
      const opened = open(file, bytes);
      expect(opened.entries, `byte ${at}`).toEqual([entries[0], entries[2], entries[3]]);
      expect(opened.damage).toEqual({ tornTail: 0, skipped: records[1]!.length });
      expect(open(file)).toMatchObject({ entries: [entries[0], entries[2], entries[3]], damage: CLEAN });
    }
  });

  test('pages of zeros at the end are a torn tail, pages of zeros in between are passed over', () => {
    const file = path.join(scratchFolder(), 'journal');
    const zeros = Buffer.alloc(4096);
    const one = encodeEntry(batch(0, 5));
    expect(open(file, Buffer.concat([one, zeros, zeros]))).toMatchObject({
      entries: [batch(0, 5)],
      damage: { tornTail: 8192, skipped: 0 },
    });
    const opened = open(file, Buffer.concat([one, zeros, encodeEntry(batch(5, 2)), zeros]));
    expect(opened).toMatchObject({ entries: [batch(0, 5), batch(5, 2)], damage: { tornTail: 4096, skipped: 4096 } });
    expect(opened.left.equals(Buffer.concat([one, encodeEntry(batch(5, 2))]))).toBe(true);
    expect(open(file, zeros)).toMatchObject({ entries: [], damage: { tornTail: 4096, skipped: 0 } });
  });

  test.each([0, 1, 19, 20, 27, 1000, 2 ** 31, 2 ** 32 - 1])(
    'a length field of %d in the wrong place costs that record alone',
    (length) => {
      const file = path.join(scratchFolder(), 'journal');
      const wrong = encodeEntry(batch(5, 3));
      wrong.writeUInt32BE(length, 4);
      const opened = open(file, Buffer.concat([encodeEntry(batch(0, 5)), wrong, encodeEntry(batch(8, 4))]));
      expect(opened.entries).toEqual([batch(0, 5), batch(8, 4)]);
    },
  );

  test('a record with a sound CRC but no content of ours is kept and not taken for an entry', () => {
    const file = path.join(scratchFolder(), 'journal');
    const unknown = encodeEntry(batch(5, 3));
    unknown.writeUInt8(77, 12);
    unknown.writeUInt32BE(crc32(unknown.subarray(12)), 8);
    const bytes = Buffer.concat([encodeEntry(batch(0, 5)), unknown, encodeEntry(batch(8, 4))]);
    const opened = open(file, bytes);
    expect(opened).toMatchObject({ entries: [batch(0, 5), batch(8, 4)], damage: CLEAN });
    expect(opened.left.equals(bytes)).toBe(true);
  });

  test.each([4, 3, 2, 1, 0])('finds a record after damage that begins %d bytes before the end of a piece', (before) => {
    const file = path.join(scratchFolder(), 'journal');
    const opened = open(file, Buffer.concat([Buffer.alloc((4 << 20) - before), encodeEntry(batch(0, 5))]));
    expect(opened).toMatchObject({
      entries: [batch(0, 5)],
      damage: { tornTail: 0, skipped: (4 << 20) - before },
    });
  });

  test('is read in pieces: records that lie across them, and damage there, make no difference', () => {
    const file = path.join(scratchFolder(), 'journal');
    const entries = Array.from({ length: 60 }, (_, i) => batch(i * 70_000, MAX_BATCH - 1000 * i));
    const records = entries.map(encodeEntry);
    const bytes = Buffer.concat(records);
    expect(bytes.length).toBeGreaterThan(8 << 20);
    const opened = open(file, bytes);
    expect(opened.damage).toEqual(CLEAN);
    expect(opened.entries.map(({ key }) => key)).toEqual(entries.map(({ key }) => key));
    expect(opened.entries).toEqual(entries);
    // Damaged where the window of 4 MiB ends.
    for (const at of [(4 << 20) - 3, 4 << 20, (8 << 20) - 1]) bytes[at]! ^= 1;
    const damaged = open(file, bytes);
    expect(damaged.entries).toHaveLength(58);
    expect(damaged.left.length).toBe(bytes.length - damaged.damage.skipped);
  });
});

/** CRC-32/ISO-HDLC bit by bit, from its definition (RFC 1952, 8): an outside judge of what the records carry. */
function crc32(bytes: Uint8Array): number {
  let hash = 0xffffffff;
  for (const byte of bytes) {
    hash ^= byte;
    for (let bit = 0; bit < 8; bit++) hash = hash & 1 ? (hash >>> 1) ^ 0xedb88320 : hash >>> 1;
  }
  return ~hash >>> 0;
}
