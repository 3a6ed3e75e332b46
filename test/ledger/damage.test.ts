// What the disk loses counts as missing and is told once, nothing else is touched, and handing the recording in again fills it. And
// the same recording handed in again, however packed and under whatever name, is counted once.
import fs from 'node:fs';
import path from 'node:path';
import { fileURLToPath } from 'node:url';
import { describe, expect, test } from 'vitest';
import { ZipFile } from 'yazl';
import type { Coverage } from '../../src/coverage/coverage.js';
import { Ledger } from '../../src/ledger/ledger.js';
import { recover } from '../../src/recover.js';
import {
  contents,
  type Heard,
  handIn,
  missionText,
  type Result,
  resultOf,
  scratchFolder,
  sending,
  withoutNotes,
} from './material.js';

const mission = missionText({ payload: 1000 });
const heard: Heard = { station: 'saltmarsh', name: 'a.bin', sent: [...sending(1, 40, 1), ...sending(2, 10, 41)] };

function makeLedger(): string {
  const folder = path.join(scratchFolder(), 'ledger');
  const ledger = Ledger.open(folder, { mission });
  handIn(ledger, heard, 1000);
  ledger.close();
  return folder;
}

async function reopen(folder: string): Promise<Result> {
  const ledger = Ledger.open(folder);
  const result = await resultOf(ledger);
  ledger.close();
  return result;
}

const damages: [name: string, damage: (file: string) => void, missing: [number, number][]][] = [
  ['a page of zeros', (file) => patch(file, 8192, Buffer.alloc(4096)), [[8, 12]]],
  ['one flipped bit', (file) => patch(file, 20_500, Buffer.from([fs.readFileSync(file)[20_500]! ^ 4])), [[20, 20]]],
  [
    'two damaged places',
    (file) => {
      for (const at of [0, 39_000]) patch(file, at, Buffer.from('damaged'));
    },
    [
      [0, 0],
      [39, 39],
    ],
  ],
  ['its end cut off', (file) => fs.truncateSync(file, 30_100), [[30, 39]]],
  ['no bytes left', (file) => fs.truncateSync(file, 0), [[0, 39]]],
  ['no file left', (file) => fs.rmSync(file), [[0, 39]]],
];

function patch(file: string, at: number, bytes: Buffer): void {
  const fd = fs.openSync(file, 'r+');
  fs.writeSync(fd, bytes, 0, bytes.length, at);
  fs.closeSync(fd);
}

describe.each(damages)('a data file with %s', (_, damage, missing) => {
  test('has just these segments missing, told in one note, until the recording is handed in again', async () => {
    const folder = makeLedger();
    const whole = await reopen(folder);
    expect(whole.coverage.notes).toEqual([]);
    const data = path.join(folder, 'data', 'f1-40.0');
    damage(data);

    const found = await reopen(folder);
    const lost = missing.reduce((sum, [first, last]) => sum + last - first + 1, 0);
    const bytes = missing.reduce((sum, [first, last]) => sum + (last - first + 1) * 1000 - (last === 39 ? 666 : 0), 0);
    expect(found.coverage.notes).toEqual([
      `${data}: ${bytes} bytes do not match their hash and count as missing; hand the recordings in again to fill them.`,
    ]);
    const [damaged, other] = found.coverage.files;
    expect(damaged!.segments).toMatchObject({ total: 40, received: 40 - lost, missing });
    expect(other).toEqual(whole.coverage.files[1]);
    expect(found.files['files/file-2.bin']).toBe(whole.files['files/file-2.bin']);

    // What was found stays found, and is not told again.
    const again = await reopen(folder);
    expect(again.coverage.notes).toEqual([]);
    expect(again.coverage.files.map(({ segments }) => segments)).toEqual(
      found.coverage.files.map(({ segments }) => segments),
    );

    const ledger = Ledger.open(folder, { mission });
    handIn(ledger, heard, 1000);
    ledger.close();
    expect(await reopen(folder)).toEqual(whole);
  });
});

describe('a damaged file of the ledger', () => {
  test('of receptions costs that recording alone, and handing it in again brings it back', async () => {
    const folder = makeLedger();
    const second = Ledger.open(folder);
    const xxh64 = handIn(second, { station: 'highfell', name: 'b.bin', sent: sending(1, 40, 1).slice(5, 9) });
    second.close();
    const whole = await reopen(folder);
    const file = path.join(folder, 'recordings', `${xxh64}.json`);
    const text = fs.readFileSync(file, 'utf8');
    for (const broken of [
      '',
      text.slice(0, 50),
      '{}',
      text.replace(xxh64, '0'.repeat(64)),
      text.replace('"runs":[[0', '"runs":[[7'),
    ]) {
      fs.writeFileSync(file, broken);
      const { coverage } = await reopen(folder);
      expect(coverage.notes).toEqual([`${file}: cannot be read; hand that recording in again.`]);
      expect(coverage.recordings.map(({ station }) => station)).toEqual(['saltmarsh']);
    }
    const ledger = Ledger.open(folder);
    handIn(ledger, { station: 'highfell', name: 'b.bin', sent: sending(1, 40, 1).slice(5, 9) });
    ledger.close();
    expect(withoutNotes(await reopen(folder))).toEqual(withoutNotes(whole));
  });

  test('of damaged frames is written again with the recording', () => {
    const folder = makeLedger();
    const ledger = Ledger.open(folder);
    const again: Heard = { station: 'highfell', name: 'b.bin', sent: sending(1, 40, 1) };
    const xxh64 = handIn(ledger, again, 5);
    const before = ledger.damagedBytes(xxh64);
    expect(before.length).toBe(8 * 1020);
    fs.rmSync(path.join(folder, 'damaged', `${xxh64}.bin`));
    handIn(ledger, again, 5);
    expect(ledger.damagedBytes(xxh64).equals(before)).toBe(true);
    ledger.close();
  });

  test('that is an empty folder left out by a copy is made again', async () => {
    const folder = makeLedger();
    const whole = await reopen(folder);
    fs.rmSync(path.join(folder, 'damaged'), { recursive: true });
    expect(await reopen(folder)).toEqual(whole);
  });

  test('in the journal loses the segments it named, until the recording is handed in again', async () => {
    const folder = makeLedger();
    const whole = await reopen(folder);
    patch(path.join(folder, 'segments.journal'), 50, Buffer.from([0xff, 0xff, 0xff]));
    const { coverage } = await reopen(folder);
    expect(coverage.notes).toEqual([
      expect.stringMatching(/^\d+ damaged bytes were taken out of the ledger's journal/),
    ]);
    expect(coverage.files[1]).toEqual(whole.coverage.files[1]);
    const ledger = Ledger.open(folder);
    handIn(ledger, heard, 1000);
    ledger.close();
    expect(await reopen(folder)).toEqual(whole);
  });
});

describe('a content that was lost', () => {
  test('is not taken for another content of the same segment, whichever comes first afterwards', async () => {
    const odd: Heard = {
      station: 'highfell',
      name: 'b.bin',
      sent: [{ counter: 6, file: 1, segments: 40, segment: 5, content: 1 }],
    };
    const folder = makeLedger();
    const data = path.join(folder, 'data', 'f1-40.0');
    patch(data, 5000, Buffer.alloc(1000));
    await reopen(folder);
    const ledger = Ledger.open(folder);
    handIn(ledger, odd);
    expect(ledger.files.get('1-40')!.lanes.map(({ table }) => table.hashOf(5) >= 0)).toEqual([false, true]);
    handIn(ledger, heard, 1000);
    expect(ledger.files.get('1-40')!.lanes.map(({ table }) => table.hashOf(5) >= 0)).toEqual([true, true]);
    ledger.close();
    const straight = makeLedger();
    const other = Ledger.open(straight);
    handIn(other, odd);
    other.close();
    expect(await reopen(folder)).toEqual(await reopen(straight));
  });
});

describe('the same recording handed in again', () => {
  const campaign = fileURLToPath(new URL('../../samples/dotterel', import.meta.url));
  const recordings = path.join(campaign, 'recordings', 'lowquay');
  const file = path.join(recordings, fs.readdirSync(recordings).sort()[0]!);

  const zipped = async (folder: string): Promise<string> => {
    const zip = path.join(folder, 'elsewhere.zip');
    const archive = new ZipFile();
    archive.addFile(file, path.basename(file));
    archive.end();
    await fs.promises.writeFile(zip, archive.outputStream);
    return zip;
  };

  test('zipped, or under another station name, changes nothing in the totals and the files', {
    timeout: 60_000,
  }, async () => {
    const root = scratchFolder();
    const out = path.join(root, 'out');
    const settings = { mission: path.join(campaign, 'mission.yaml'), out };
    const state = (): { coverage: Coverage; files: unknown } => ({
      coverage: JSON.parse(fs.readFileSync(path.join(out, 'coverage.json'), 'utf8')) as Coverage,
      files: ['files', 'partial', 'salvage'].map((folder) => contents(path.join(out, folder))),
    });
    await recover({ ...settings, recordings: [], stations: [{ name: 'lowquay', path: file }] });
    const { coverage, files } = state();
    const { known } = (await recover({ ...settings, recordings: [], stations: [{ name: 'lowquay', path: file }] }))
      .recordings;
    expect(known).toBe(1);
    expect(state()).toEqual({ coverage, files });
    for (const [name, given] of [
      ['lowquay', await zipped(root)],
      ['saltmarsh', file],
    ] as const) {
      await recover({ ...settings, recordings: [], stations: [{ name, path: given }] });
      const after = state();
      expect(after.files).toEqual(files);
      expect(after.coverage.totals).toEqual(coverage.totals);
      expect(after.coverage.stations.map(({ name: station }) => station)).toEqual(['lowquay']);
      expect(after.coverage.recordings).toHaveLength(1);
    }
  });

  test('under several names keeps the one that comes first in the alphabet, and the time that one of them told', () => {
    const folder = makeLedger();
    const ledger = Ledger.open(folder);
    const [xxh64] = [...ledger.receptions.keys()] as [string];
    handIn(ledger, { ...heard, station: 'highfell', name: 'z.bin' }, 1000);
    handIn(ledger, { ...heard, station: 'pinebarren', name: 'a.bin', startedAt: 1_800_000_000_000 }, 1000);
    expect(ledger.receptions.size).toBe(1);
    expect(ledger.receptions.get(xxh64)).toMatchObject({
      station: 'highfell',
      name: 'z.bin',
      startedAt: 1_800_000_000_000,
    });
    ledger.close();
    const reopened = Ledger.open(folder);
    expect(reopened.receptions.get(xxh64)).toMatchObject({ station: 'highfell', name: 'z.bin' });
    reopened.close();
  });
});

describe('a segment far outside', () => {
  test('of what a file system can hold is not kept, and does not end the run', async () => {
    const folder = makeLedger();
    const ledger = Ledger.open(folder);
    expect(ledger.store(9, 0, 2 ** 47, Buffer.alloc(1000), 0, 1000)).toBe(-1);
    expect(ledger.store(9, 0, 5, Buffer.alloc(1000), 0, 1000)).toBe(0);
    ledger.close();
  });
});
