// A packed ledger: there and back unchanged, the holes of its files left out; anything else in a zip is refused before a byte of it
// is kept. Zips are held against an outside reader where there is one (Info-ZIP's unzip).
import { execFileSync, spawnSync } from 'node:child_process';
import fs from 'node:fs';
import os from 'node:os';
import path from 'node:path';
import { deflateRawSync } from 'node:zlib';
import fc from 'fast-check';
import { afterEach, beforeEach, describe, expect, test, vi } from 'vitest';
import { crc32 } from '../../src/bytes/crc.js';
import { RecordingError } from '../../src/errors.js';
import { Ledger } from '../../src/ledger/ledger.js';
import { mergeLedger } from '../../src/ledger/merge.js';
import { packLedger, unpackLedger } from '../../src/ledger/pack.js';
import { contents, handIn, missionText, resultOf, type Sent, scratchFolder, sending } from './material.js';

const mission = missionText();
let temporary: string;

// Whatever is unpacked goes below a folder that can be looked at.
beforeEach(() => {
  temporary = fs.mkdtempSync(path.join(os.tmpdir(), 'ledger-pack-'));
  vi.stubEnv('TMPDIR', temporary);
});
afterEach(() => {
  vi.unstubAllEnvs();
  fs.rmSync(temporary, { recursive: true, force: true });
});

function makeLedger(folder: string, sent: readonly Sent[], given = mission): string {
  const ledger = Ledger.open(folder, { mission: given });
  handIn(ledger, { station: 'saltmarsh', name: 'a.bin', sent }, 11);
  ledger.close();
  return folder;
}

type Entry = {
  name: string;
  bytes: Uint8Array;
  deflate?: boolean;
  statedSize?: number;
  statedCrc?: number;
  attributes?: number;
};

/** A zip as APPNOTE 6.3.10 describes it, with whatever an attacker would write into it. */
function writeZip(file: string, entries: readonly Entry[]): string {
  const parts: Buffer[] = [];
  const directory: Buffer[] = [];
  let at = 0;
  for (const { name, bytes, deflate = false, statedSize = bytes.length, statedCrc, attributes = 0 } of entries) {
    const data = deflate ? deflateRawSync(bytes) : Buffer.from(bytes);
    const fields = Buffer.alloc(26); // the fields that local header and directory share
    fields.writeUInt16LE(20, 0);
    fields.writeUInt16LE(deflate ? 8 : 0, 4);
    fields.writeUInt32LE(statedCrc ?? crc32(bytes, 0, bytes.length), 10);
    fields.writeUInt32LE(data.length, 14);
    fields.writeUInt32LE(statedSize, 18);
    fields.writeUInt16LE(Buffer.byteLength(name), 22);
    parts.push(Buffer.from('PK\x03\x04'), fields, Buffer.from(name), data);
    const tail = Buffer.alloc(14);
    tail.writeUInt32LE(attributes, 6);
    tail.writeUInt32LE(at, 10);
    directory.push(Buffer.from('PK\x01\x02\x14\x00'), fields, tail, Buffer.from(name));
    at += 30 + Buffer.byteLength(name) + data.length;
  }
  const central = Buffer.concat(directory);
  const end = Buffer.alloc(22);
  end.write('PK\x05\x06', 'latin1');
  end.writeUInt16LE(entries.length, 8);
  end.writeUInt16LE(entries.length, 10);
  end.writeUInt32LE(central.length, 12);
  end.writeUInt32LE(at, 16);
  fs.writeFileSync(file, Buffer.concat([...parts, central, end]));
  return file;
}

/** The entries of a good packed ledger, to be spoiled. */
async function goodEntries(): Promise<Entry[]> {
  const root = scratchFolder();
  const { folder, discard } = await roundTrip(root, sending(1, 5, 1));
  const names = Object.keys(contents(folder)).filter((name) => name !== 'lock');
  const entries = names.map((name) => ({ name, bytes: fs.readFileSync(path.join(folder, name)) }));
  discard();
  return [listOf(Object.fromEntries(entries.map(({ name, bytes }) => [name, [0, bytes.length]]))), ...entries];
}

function listOf(extents: unknown): Entry {
  return { name: 'pack.json', bytes: Buffer.from(JSON.stringify({ format: 'passweave-pack/1', extents })) };
}

/** What `unpackLedger` has made and not taken away again. */
function unpacked(): string[] {
  return fs.readdirSync(temporary).filter((name) => name.startsWith('passweave-'));
}

async function roundTrip(
  root: string,
  sent: readonly Sent[],
  given = mission,
): Promise<{ source: string; zip: string; folder: string; discard: () => void }> {
  const source = makeLedger(path.join(root, 'ledger'), sent, given);
  const zip = path.join(root, 'ledger.zip');
  expect(await packLedger(source, zip)).toBe(fs.statSync(zip).size);
  return { source, zip, ...(await unpackLedger(zip)) };
}

async function refusal(zip: string): Promise<{ code: string; message: string }> {
  const error = await unpackLedger(zip).then(
    () => undefined,
    (reason: unknown) => reason,
  );
  expect(error).toBeInstanceOf(RecordingError);
  const { code, message } = error as RecordingError;
  expect(message).not.toContain('\n');
  expect(unpacked(), 'nothing is left').toEqual([]);
  return { code, message: message.replace(zip, 'ZIP') };
}

describe('a ledger packed and unpacked', () => {
  test('has every file as it was, and the temporary folder goes when it is no longer needed', async () => {
    const root = scratchFolder();
    const { source, folder, discard } = await roundTrip(root, [...sending(1, 30, 1), ...sending(2, 4, 31)]);
    expect(contents(folder)).toEqual(contents(source));
    expect(unpacked()).toHaveLength(1);
    discard();
    expect(unpacked()).toEqual([]);
    expect(fs.readdirSync(root).sort()).toEqual(['ledger', 'ledger.zip']);
  });

  test('gives the same coverage and files for any ledger, segments named by number or by offset', {
    timeout: 60_000,
  }, async () => {
    const sent = fc.array(
      fc.record({
        counter: fc.nat(200),
        file: fc.integer({ min: 1, max: 3 }),
        segments: fc.constant(90),
        segment: fc.nat(89),
        content: fc.nat(2),
      }),
      { minLength: 1, maxLength: 40 },
    );
    await fc.assert(
      fc.asyncProperty(sent, fc.boolean(), async (frames, byOffset) => {
        const root = fs.mkdtempSync(path.join(temporary, 'property-'));
        const { source, folder, discard } = await roundTrip(root, frames, missionText({ byOffset }));
        const [before, after] = [Ledger.open(source), Ledger.open(folder)];
        expect(await resultOf(after)).toEqual(await resultOf(before));
        expect(after.lossNotes()).toEqual([]);
        before.close();
        after.close();
        discard();
        fs.rmSync(root, { recursive: true });
      }),
      { numRuns: 25 },
    );
  });

  test('packs to the same bytes each time, and into a zip that other programs read', async () => {
    const root = scratchFolder();
    const { source, zip } = await roundTrip(root, sending(1, 30, 1));
    await packLedger(source, path.join(root, 'again.zip'));
    expect(fs.readFileSync(path.join(root, 'again.zip')).equals(fs.readFileSync(zip))).toBe(true);
    if (spawnSync('unzip', ['-v']).status === 0) {
      expect(execFileSync('unzip', ['-t', zip], { encoding: 'utf8' })).toContain('No errors detected');
    }
  });

  test('leaves out the holes: a segment at 12 GB costs neither a large zip nor a large folder', {
    timeout: 20_000,
  }, async () => {
    const root = scratchFolder();
    const far: Sent = { counter: 1, file: 1, segments: 16_000_000, segment: 12_000_000 };
    const { source, zip, folder, discard } = await roundTrip(
      root,
      [far, { ...far, counter: 2, segment: 3 }],
      missionText({ payload: 1000 }),
    );
    expect(fs.statSync(zip).size).toBeLessThan(10_000);
    const name = path.join('data', 'f1-16000000.0');
    const [before, after] = [source, folder].map((place) => fs.statSync(path.join(place, name)));
    expect(after!.size).toBe(before!.size);
    // Blocks of 512 bytes, whatever the file system's own.
    expect(after!.blocks * 512).toBeLessThan(1 << 20);
    const ledger = mergeLedger(folder, path.join(root, 'merged'));
    expect(ledger.files.get('1-16000000')!.lanes[0]!.table.ranges()).toEqual([3, 4, 12_000_000, 12_000_001]);
    expect(ledger.notes).toEqual([]);
    ledger.close();
    discard();
  });

  test('with lost data is packed all the same, and merging tells what was lost', async () => {
    const root = scratchFolder();
    const source = makeLedger(path.join(root, 'ledger'), sending(1, 5, 1));
    fs.truncateSync(path.join(source, 'data', 'f1-5.0'), 250);
    await packLedger(source, path.join(root, 'ledger.zip'));
    const { folder, discard } = await unpackLedger(path.join(root, 'ledger.zip'));
    const ledger = mergeLedger(folder, path.join(root, 'merged'));
    expect(ledger.files.get('1-5')!.lanes[0]!.table.ranges()).toEqual([0, 2]);
    expect(ledger.notes).toEqual([expect.stringMatching(/234 bytes do not match their hash/)]);
    ledger.close();
    discard();
  });

  test('leaves nothing behind when the zip cannot be written', async () => {
    const root = scratchFolder();
    const source = makeLedger(path.join(root, 'ledger'), sending(1, 5, 1));
    await expect(packLedger(source, path.join(root, 'no', 'folder.zip'))).rejects.toThrow('ENOENT');
    fs.mkdirSync(path.join(root, 'taken.zip'));
    await expect(packLedger(source, path.join(root, 'taken.zip'))).rejects.toThrow();
    expect(fs.readdirSync(root).sort()).toEqual(['ledger', 'taken.zip']);
    Ledger.open(source).close();
  });
});

describe('a zip that is no packed ledger', () => {
  test('but well made passes: what the others are made from is good', async () => {
    const zip = writeZip(path.join(scratchFolder(), 'good.zip'), await goodEntries());
    const { folder, discard } = await unpackLedger(zip);
    Ledger.open(folder).close();
    discard();
  });

  test.each([
    '../evil.txt',
    '../../ledger.json',
    'data/../../evil',
    '/etc/evil',
    'C:\\evil',
    'data\\f1-5.0',
    'readme.txt',
    'lock',
    'data/',
    'data/f1-5.0/x',
    'recordings/short.json',
    'ledger.json\0.txt',
    'DATA/f1-5.0',
  ])('but holds an entry %j is refused', async (name) => {
    const root = scratchFolder();
    const zip = writeZip(path.join(root, 'evil.zip'), [...(await goodEntries()), { name, bytes: Buffer.from('evil') }]);
    expect(await refusal(zip)).toEqual({
      code: 'archive-entry-unsafe',
      message: expect.stringMatching(/^ZIP: entry ".*" does not belong in a packed ledger; nothing was taken from it$/),
    });
    expect(fs.readdirSync(root)).toEqual(['evil.zip']);
  });

  test('but holds a symbolic link, or one name twice, is refused', async () => {
    const good = await goodEntries();
    const link = good.map((entry) =>
      entry.name === 'segments.journal' ? { ...entry, attributes: (0o120777 << 16) >>> 0 } : entry,
    );
    expect(await refusal(writeZip(path.join(scratchFolder(), 'link.zip'), link))).toMatchObject({
      code: 'archive-entry-unsafe',
    });
    expect(await refusal(writeZip(path.join(scratchFolder(), 'twice.zip'), [...good, good[1]!]))).toMatchObject({
      code: 'archive-entry-unsafe',
    });
  });

  test.each(['ledger.json', 'pack.json'])('as it lacks %s says so', async (missing) => {
    const entries = (await goodEntries()).filter(({ name }) => name !== missing);
    expect(await refusal(writeZip(path.join(scratchFolder(), 'lacking.zip'), entries))).toEqual({
      code: 'archive-damaged',
      message: 'ZIP: holds no packed ledger; expected a zip made by `passweave pack`, ask the station to send it again',
    });
  });

  test.each(['', 'null', '[]', '{}', '{"format":"passweave-pack/2","extents":{}}'])(
    'as its list is %j says so',
    async (text) => {
      const entries = [{ name: 'pack.json', bytes: Buffer.from(text) }, ...(await goodEntries()).slice(1)];
      expect(await refusal(writeZip(path.join(scratchFolder(), 'list.zip'), entries))).toEqual({
        code: 'archive-damaged',
        message:
          "ZIP: entry pack.json does not list a ledger's files; expected a zip made by `passweave pack`, ask the station to send it again",
      });
    },
  );

  test.each([
    'all',
    [0],
    [434, 0],
    [0, 200, 100, 334],
    [-434, 0],
    [0.5, 434.5],
    [1e300, 1e301],
    [0, 433],
    [0, 435],
    [],
  ])('as a file has the extents %j says so', async (...own) => {
    const [, ...entries] = await goodEntries();
    const extents = Object.fromEntries(
      entries.map(({ name, bytes }): [string, unknown] => [name, name === 'data/f1-5.0' ? own : [0, bytes.length]]),
    );
    expect(
      await refusal(writeZip(path.join(scratchFolder(), 'extents.zip'), [listOf(extents), ...entries])),
    ).toMatchObject({ code: 'archive-damaged' });
  });

  test('as a listed file is not in it, or a file not listed is, says so', async () => {
    const good = await goodEntries();
    const journal = good.find(({ name }) => name === 'segments.journal')!;
    expect(
      await refusal(
        writeZip(
          path.join(scratchFolder(), 'less.zip'),
          good.filter((entry) => entry !== journal),
        ),
      ),
    ).toEqual({
      code: 'archive-damaged',
      message:
        'ZIP: has not all of segments.journal; expected a zip made by `passweave pack`, ask the station to send it again',
    });
    expect(
      await refusal(
        writeZip(path.join(scratchFolder(), 'more.zip'), [...good, { name: 'data/f9-9.0', bytes: Buffer.alloc(5) }]),
      ),
    ).toEqual({
      code: 'archive-entry-unsafe',
      message: 'ZIP: entry "data/f9-9.0" does not belong in a packed ledger; nothing was taken from it',
    });
  });

  test('cut off at any place is told from a whole one', { timeout: 60_000 }, async () => {
    const root = scratchFolder();
    const { zip, discard } = await roundTrip(root, sending(1, 5, 1));
    discard();
    const bytes = fs.readFileSync(zip);
    const cut = path.join(root, 'cut.zip');
    for (let length = 0; length < bytes.length; length += 37) {
      fs.writeFileSync(cut, bytes.subarray(0, length));
      expect((await refusal(cut)).code, `${length} of ${bytes.length} bytes`).toMatch(/^archive-(damaged|cut)$/);
    }
  });

  test('with a damaged byte anywhere is refused or unpacks to the same', { timeout: 60_000 }, async () => {
    const root = scratchFolder();
    const { zip, source, discard } = await roundTrip(root, sending(1, 5, 1));
    discard();
    const good = contents(source);
    const damaged = path.join(root, 'damaged.zip');
    let refused = 0;
    for (let at = 0; at < fs.statSync(zip).size; at += 11) {
      const bytes = fs.readFileSync(zip);
      bytes[at]! ^= 0x55;
      fs.writeFileSync(damaged, bytes);
      const result = await unpackLedger(damaged).catch((error: unknown) => {
        expect(error).toBeInstanceOf(RecordingError);
        refused++;
      });
      if (!result) continue;
      expect(contents(result.folder)).toEqual(good);
      result.discard();
    }
    expect(refused).toBeGreaterThan(20);
    expect(unpacked()).toEqual([]);
  });

  test('that states more than it may unpack to is refused before it is unpacked', async () => {
    const entries = await goodEntries();
    const bombs = Array.from({ length: 4 }, (_, i) => ({
      name: `data/f2-${i}.0`,
      bytes: Buffer.alloc(1000),
      deflate: true,
      statedSize: 2 ** 30,
    }));
    expect(await refusal(writeZip(path.join(scratchFolder(), 'bomb.zip'), [...entries, ...bombs]))).toEqual({
      code: 'archive-too-large',
      message: expect.stringMatching(
        /^ZIP: would unpack to \d{10} bytes, more than a ledger of \d+ bytes packed can hold$/,
      ),
    });
  });

  test('that holds more than it states is stopped there', async () => {
    const [, ...entries] = await goodEntries();
    const liar = entries.map((entry) => {
      const lie = { bytes: Buffer.alloc(50 << 20), deflate: true, statedSize: 100 };
      return entry.name === 'segments.journal' ? { ...entry, ...lie } : { ...entry, statedSize: entry.bytes.length };
    });
    const list = listOf(Object.fromEntries(liar.map(({ name, statedSize }) => [name, [0, statedSize]])));
    expect(await refusal(writeZip(path.join(scratchFolder(), 'liar.zip'), [list, ...liar]))).toEqual({
      code: 'archive-damaged',
      message: expect.stringContaining('it holds more than the 100 bytes it states'),
    });
  });

  test('but no zip at all, or not there, says so', async () => {
    const root = scratchFolder();
    fs.writeFileSync(path.join(root, 'text.zip'), 'no zip\n'.repeat(100));
    expect(await refusal(path.join(root, 'text.zip'))).toEqual({
      code: 'archive-damaged',
      message: expect.stringMatching(
        /^ZIP: cannot be read as a zip \(.*\); expected a zip made by `passweave pack`, ask the station to send it again$/,
      ),
    });
    expect(await refusal(path.join(root, 'none.zip'))).toMatchObject({ code: 'not-found' });
  });
});
