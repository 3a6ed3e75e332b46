import { symlinkSync } from 'node:fs';
import path from 'node:path';
import { gzipSync } from 'node:zlib';
import { describe, expect, test } from 'vitest';
import { compareNatural, groupChunks } from '../../src/intake/chunk-order.js';
import { openRecordings } from '../../src/intake/open-recordings.js';
import { printable, stationOfArchive, stationOfFile } from '../../src/intake/station-name.js';
import { readUtcStamp } from '../../src/intake/utc-stamp.js';
import { frames, makeZip, readAll, workFolder } from './material.js';

const folder = workFolder();
const chunk = (i: number): Buffer => frames(1000 + i, i);

const groupNames = (names: readonly string[]): string[][] =>
  groupChunks([...names].sort(compareNatural).map((name) => ({ name }))).map((group) => group.map(({ name }) => name));

describe('chunks', () => {
  test.each([
    ['rec.1, rec.2, rec.10', [['rec.1', 'rec.2', 'rec.10']]],
    ['pass-0001.bin, pass-0002.bin', [['pass-0001.bin', 'pass-0002.bin']]],
    ['rec1.bin.gz, rec02.bin.gz, rec3.bin.gz', [['rec1.bin.gz', 'rec02.bin.gz', 'rec3.bin.gz']]],
    ['a-1.bin, b-1.bin, a-2.bin', [['a-1.bin', 'a-2.bin'], ['b-1.bin']]],
    ['a-1.bin, a-2.raw', [['a-1.bin'], ['a-2.raw']]],
    ['x/rec.1, y/rec.2', [['x/rec.1'], ['y/rec.2']]],
    ['one.bin, two.bin', [['one.bin'], ['two.bin']]],
    [
      'h-20270314T021530Z-1.bin, h-20270314T021530Z-2.bin, h-20270314T034950Z-1.bin',
      [['h-20270314T021530Z-1.bin', 'h-20270314T021530Z-2.bin'], ['h-20270314T034950Z-1.bin']],
    ],
  ])('%s are put together by their running number', (names, groups) => {
    expect(groupNames(names.split(', '))).toEqual(groups);
  });

  test.each([
    'h-20270314T021530Z.bin, h-20270314T034950Z.bin',
    'h-20270314T021530.bin, h-20270314T021540.bin',
    'h_20270314_0215.bin, h_20270314_0349.bin',
    '20270314.bin, 20270315.bin',
    '2027-03-14.bin, 2027-03-15.bin',
    '2027-03-14T02-15-30.bin, 2027-03-14T02-15-31.bin',
    'h-1773454530000.bin, h-1773454630000.bin',
  ])('%s differ in their time and stay apart', (names) => {
    expect(groupNames(names.split(', '))).toHaveLength(2);
  });

  const numbers = [1, 2, 9, 10, 11, 100];
  const whole = Buffer.concat(numbers.map(chunk));
  const scrambled = [100, 9, 1, 11, 2, 10];

  test.each([
    ['a folder', async () => path.dirname(scrambled.map((i) => folder.put(`plain/rec.${i}`, chunk(i)))[0]!)],
    [
      'a folder of gzips',
      async () => path.dirname(scrambled.map((i) => folder.put(`packed/rec.${i}.gz`, gzipSync(chunk(i))))[0]!),
    ],
    [
      'a zip',
      async () =>
        folder.put('joined.zip', await makeZip(scrambled.map((i) => ({ name: `rec.${i}`, bytes: chunk(i) })))),
    ],
    [
      'a zip of gzips',
      async () =>
        folder.put(
          'joined-gz.zip',
          await makeZip(scrambled.map((i) => ({ name: `d/rec.${i}.gz`, bytes: gzipSync(chunk(i)) }))),
        ),
    ],
  ])('in %s are joined in natural order, and every position leads back to its file', async (_, make) => {
    const file = await make();
    const { recordings, problems } = await openRecordings([file]);
    expect(problems).toEqual([]);
    expect(recordings).toHaveLength(1);
    const recording = recordings[0]!;
    const read = await readAll(recording);
    expect(read.error).toBeUndefined();
    expect(read.bytes.equals(whole)).toBe(true);
    let start = 0;
    for (const i of numbers) {
      for (const offset of [0, 1, chunk(i).length - 1]) {
        const found = recording.locate(start + offset);
        expect(path.basename(found.file).replace('.gz', '')).toBe(`rec.${i}`);
        expect(found.file.startsWith(file)).toBe(true);
        expect(found.offset).toBe(offset);
      }
      start += chunk(i).length;
    }
  });

  test('a chunk that fails ends the recording where it is reached, and what came before was given', async () => {
    const cut = gzipSync(chunk(2)).subarray(0, 300);
    folder.put('failing/rec.1.gz', gzipSync(chunk(1)));
    folder.put('failing/rec.2.gz', cut);
    folder.put('failing/rec.3.gz', gzipSync(chunk(3)));
    const { recordings, problems } = await openRecordings([path.join(folder.path, 'failing')]);
    expect(problems).toEqual([]);
    const { bytes, error } = await readAll(recordings[0]!);
    expect(error).toMatchObject({
      code: 'gzip-damaged',
      file: path.join(folder.path, 'failing/rec.2.gz'),
      offset: 300,
    });
    expect(bytes.length).toBeGreaterThan(chunk(1).length);
    expect(bytes.equals(Buffer.concat([chunk(1), chunk(2)]).subarray(0, bytes.length))).toBe(true);
  });
});

describe('stations', () => {
  test.each([
    ['highfell-20270314T021530Z.bin.gz', 'highfell'],
    ['highfell_2027-03-14T02-15-30Z_0003.raw', 'highfell'],
    ['highfell-0001.bin', 'highfell'],
    ['highfell.1', 'highfell'],
    ['highfell.bin.12', 'highfell'],
    ['highfell-20270314.bin', 'highfell'],
    ['station7.bin', 'station7'],
    ['low.quay.dat', 'low.quay'],
    ['20270314T021530Z.bin', '20270314T021530Z'],
    ['.bin', '.bin'],
  ])('the file %s is by %s', (file, station) => {
    expect(stationOfFile(`/somewhere/${file}`)).toBe(station);
  });

  test('names are cleared of control characters and kept to 64 characters', () => {
    expect(stationOfArchive('/x/high\u001b[31m\u0007fell\u202e.zip')).toBe('high[31mfell');
    expect(stationOfArchive(`/x/${'é'.repeat(100)}.zip`)).toBe('é'.repeat(64));
    expect(stationOfArchive('/x/\u0001.zip')).toBe('station');
    expect(printable('😀'.repeat(3), 2)).toBe('😀😀');
  });

  const open = async (...paths: string[]): Promise<[string, string][]> => {
    const { recordings } = await openRecordings(paths.map((file) => path.join(folder.path, file)));
    return recordings.map(({ station, name }) => [station, path.relative(folder.path, name)]);
  };

  test('a folder of folders and archives is one station per entry', async () => {
    folder.put('collection/saltmarsh/2027/rec.1', chunk(1));
    folder.put('collection/saltmarsh/2027/rec.2', chunk(2));
    folder.put('collection/saltmarsh/notes.txt', 'wind from the west\n');
    folder.put(
      'collection/highfell.zip',
      await makeZip([
        { name: 'b.bin', bytes: chunk(1) },
        { name: 'a.bin', bytes: chunk(2) },
      ]),
    );
    folder.put('collection/README.md', '# What the stations sent\n');
    folder.put('collection/.DS_Store', chunk(1));
    expect(await open('collection')).toEqual([
      ['highfell', 'collection/highfell.zip/b.bin'],
      ['highfell', 'collection/highfell.zip/a.bin'],
      ['saltmarsh', 'collection/saltmarsh/2027/rec.1 to rec.2'],
    ]);
  });

  test('a folder with recordings is one station, its sub-folders and archives included', async () => {
    folder.put('lowquay/first.bin', chunk(1));
    folder.put('lowquay/later/second.bin', chunk(2));
    folder.put(
      'lowquay/third.zip',
      await makeZip([
        { name: '__MACOSX/._x', bytes: chunk(1) },
        { name: 'x', bytes: chunk(3) },
      ]),
    );
    expect(await open('lowquay')).toEqual([
      ['lowquay', 'lowquay/first.bin'],
      ['lowquay', 'lowquay/later/second.bin'],
      ['lowquay', 'lowquay/third.zip/x'],
    ]);
  });

  test('a station that the user names is called so, and its path is opened once', async () => {
    folder.put('named/a/x.bin', chunk(1));
    folder.put('named/b/x.bin', chunk(2));
    const file = path.join(folder.path, 'named');
    const { recordings } = await openRecordings([file, `${file}/a/x.bin`], {
      stations: [{ name: 'Pine Barren', path: file }],
    });
    expect(recordings.map(({ station }) => station)).toEqual(['x', 'Pine Barren', 'Pine Barren']);
  });

  test('a link that leads back up is not followed for ever', async () => {
    folder.put('looped/rec.bin', chunk(1));
    symlinkSync(path.join(folder.path, 'looped'), path.join(folder.path, 'looped/again'));
    expect(await open('looped')).toEqual([['looped', 'looped/rec.bin']]);
  });
});

describe('the time in a name', () => {
  const expected = Date.UTC(2027, 2, 14, 2, 15, 30);
  test.each([
    'highfell-20270314T021530Z.bin.gz',
    '2027-03-14T02:15:30Z',
    'highfell_2027-03-14T02-15-30Z_7.raw',
    '20270314-021530Z.1',
    '20270314t021530z',
  ])('%s is read', (name) => {
    expect(readUtcStamp(name)).toBe(expected);
  });

  test('a fraction of a second is read', () => {
    expect(readUtcStamp('20270314T021530.250Z.bin')).toBe(expected + 250);
  });

  test.each([
    '20270314T021530',
    '20270230T021530Z',
    '20271301T021530Z',
    '20270314T251530Z',
    '120270314T021530Z',
    'rec.1',
  ])('%s is no UTC time', (name) => {
    expect(readUtcStamp(name)).toBeUndefined();
  });

  test('is that of the recording, or of the archive where the archive holds one recording', async () => {
    const inside = await makeZip([
      { name: 'rec.1', bytes: chunk(1) },
      { name: 'rec.2', bytes: chunk(2) },
    ]);
    const two = await makeZip([
      { name: 'a.bin', bytes: chunk(1) },
      { name: 'b.bin', bytes: chunk(2) },
    ]);
    const { recordings } = await openRecordings([
      folder.put('t/highfell-20270314T021530Z.bin', chunk(1)),
      folder.put('t/saltmarsh-20270314T021530Z.zip', inside),
      folder.put('t/lowquay-20270314T021530Z.zip', two),
    ]);
    expect(recordings.map(({ startedAt }) => startedAt)).toEqual([expected, expected, undefined, undefined]);
  });
});
