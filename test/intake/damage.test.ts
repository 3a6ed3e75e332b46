import path from 'node:path';
import { deflateRawSync, gzipSync } from 'node:zlib';
import { describe, expect, test } from 'vitest';
import { RecordingError } from '../../src/errors.js';
import { openFileSource } from '../../src/intake/file-source.js';
import { type IntakeOptions, openRecordings } from '../../src/intake/open-recordings.js';
import { frames, makeZip, type Read, readAll, renamed, seeded, workFolder } from './material.js';

const folder = workFolder();
const DIRECTORY = Buffer.from('PK\x01\x02', 'latin1');

/** Opens and reads everything; the errors of opening and of reading, in turn. */
const openAndRead = async (file: string, options: IntakeOptions = {}) => {
  const { recordings, problems } = await openRecordings([file], options);
  const reads: (Read & { name: string })[] = [];
  for (const recording of recordings) {
    reads.push({ name: path.relative(folder.path, recording.name), ...(await readAll(recording)) });
  }
  for (const problem of problems) expect(problem).toBeInstanceOf(RecordingError);
  const codes = [...problems, ...reads.flatMap(({ error }) => error ?? [])].map(({ code }) => code);
  return { reads, problems, codes };
};

describe('paths', () => {
  test('each that fails is a problem with its code, and the others are opened', async () => {
    const good = folder.put('paths/good.bin', frames(100, 1));
    const empty = folder.put('paths/empty.bin', '');
    folder.put('paths/texts/README.txt', 'nothing here\n');
    folder.put('paths/texts/.hidden', frames(100, 1));
    const missing = path.join(folder.path, 'paths/missing.bin');
    const device = '/dev/zero'; // gives bytes for ever
    const nothing = folder.put('paths/nothing.zip', await makeZip([]));
    const { recordings, problems } = await openRecordings([
      missing,
      empty,
      good,
      device,
      `${folder.path}/paths/texts`,
      nothing,
    ]);
    expect(recordings.map(({ name }) => name)).toEqual([good]);
    expect(problems.map(({ code, file }) => [code, path.relative(folder.path, file)])).toEqual([
      ['not-found', 'paths/missing.bin'],
      ['empty', 'paths/empty.bin'],
      ['unreadable', path.relative(folder.path, device)],
      ['empty', 'paths/texts'],
      ['empty', 'paths/nothing.zip'],
    ]);
  });

  test('a text is read where the user names that very file', async () => {
    const { reads, problems } = await openAndRead(folder.put('paths/hex-dump', 'ABCD'));
    expect(problems).toEqual([]);
    expect(reads[0]?.bytes.toString()).toBe('ABCD');
  });

  test('a file without permission says so', async () => {
    const file = folder.put('paths/locked.bin', frames(100, 1));
    const open = async (): Promise<never> => {
      throw Object.assign(new Error('EACCES'), { code: 'EACCES' });
    };
    const { problems } = await openRecordings([file], { open });
    expect(problems).toMatchObject([{ code: 'unreadable', file }]);
    expect(problems[0]!.message).toMatch(/permission/);
  });

  test('a mistake of the program is not taken for a problem of the recording', async () => {
    const open = async (file: string) => ({ ...(await openFileSource(file)), size: 100, read: null as never });
    await expect(openRecordings([folder.put('paths/ours.bin', frames(100, 1))], { open })).rejects.toThrow(TypeError);
    await expect(openRecordings([], { blockBytes: 0 })).rejects.toThrow(RangeError);
  });
});

describe('when the n-th read fails', async () => {
  const parts = [1, 2, 3].map((i) => ({ name: `rec.${i}`, bytes: frames(3000, i), compress: i !== 2 }));
  const whole = Buffer.concat(parts.map(({ bytes }) => bytes));
  test.each([
    ['raw.bin', whole],
    ['packed.bin.gz', gzipSync(whole)],
    ['packed.zip', await makeZip(parts)],
    [
      'cut.zip',
      await makeZip(parts.map((part) => ({ ...part, descriptor: true }))).then((zip) =>
        zip.subarray(0, zip.indexOf(DIRECTORY)),
      ),
    ],
  ])('%s gives what came before, and one clear error at that read', async (name, bytes) => {
    const file = folder.put(`n-th/${name}`, bytes);
    let failed = true;
    for (let n = 1; failed; n++) {
      let count = 0;
      failed = false;
      const open = async (opened: string) => {
        const source = await openFileSource(opened);
        return {
          ...source,
          read: async (into: Uint8Array, at: number) => {
            if (++count !== n) return source.read(into, at);
            failed = true;
            throw Object.assign(new Error('EIO'), { code: 'EIO' });
          },
        };
      };
      const { reads, problems, codes } = await openAndRead(file, { open, blockBytes: 512 });
      const expected = name === 'cut.zip' ? ['archive-cut'] : [];
      if (!failed) {
        expect(codes).toEqual(expected);
        expect(Buffer.concat(reads.map((read) => read.bytes)).equals(whole)).toBe(true);
        expect(n).toBeGreaterThan(4);
        break;
      }
      expect(codes.filter((code) => code !== 'archive-cut')).toEqual(['unreadable']);
      const error = [...problems, ...reads.flatMap((read) => read.error ?? [])].find(
        ({ code }) => code === 'unreadable',
      );
      expect(error).toMatchObject({ file, offset: expect.any(Number) });
      for (const read of reads)
        if (problems.length === 0) expect(whole.subarray(0, read.bytes.length).equals(read.bytes)).toBe(true);
    }
  });
});

describe('gzip', () => {
  const bytes = frames(3_000_000, 5);
  const packed = gzipSync(bytes);

  test('cut anywhere, all that inflates is given, and then one error at the end of the file', async () => {
    const next = seeded(11);
    for (let i = 0; i < 20; i++) {
      const length = 20 + (next() % (packed.length - 21));
      const { reads, problems } = await openAndRead(folder.put('gzip/cut.gz', packed.subarray(0, length)));
      expect(problems).toEqual([]);
      expect(reads[0]!.error).toMatchObject({ code: 'gzip-damaged', offset: length });
      expect(bytes.subarray(0, reads[0]!.bytes.length).equals(reads[0]!.bytes)).toBe(true);
      // A deflate block cannot be read before its code tables are there: the beginning gives less.
      expect(reads[0]!.bytes.length).toBeGreaterThan((length / packed.length) * bytes.length - 200_000);
    }
  });

  test('with its end overwritten, what inflates before it is given, and the error is near', async () => {
    const at = 1_400_000;
    const broken = Buffer.from(packed);
    expect(packed.length).toBeGreaterThan(at + 100_000);
    broken.fill(0xff, at);
    let read = 0;
    const file = folder.put('gzip/broken.gz', broken);
    const { reads } = await openAndRead(file, { onRead: (count) => (read += count) });
    const { bytes: got, error } = reads[0]!;
    expect(error).toMatchObject({ code: 'gzip-damaged' });
    expect(error!.offset).toBeGreaterThanOrEqual(at);
    expect(error!.offset).toBeLessThan(at + 4096);
    const same = got.findIndex((byte, i) => byte !== bytes[i]);
    // Reading it again from the start, and finely, must not lose, repeat or change anything before the damage.
    expect(same < 0 ? got.length : same).toBeGreaterThan((at / packed.length) * bytes.length - 50_000);
    expect(read).toBeLessThanOrEqual(broken.length);
  });

  test('a wrong check sum is told after all bytes were given', async () => {
    const broken = Buffer.from(packed);
    broken[packed.length - 6]! ^= 1;
    const { reads } = await openAndRead(folder.put('gzip/sum.gz', broken));
    expect(reads[0]!.error).toMatchObject({ code: 'gzip-damaged' });
    expect(reads[0]!.bytes.equals(bytes)).toBe(true);
  });

  test('other bytes behind a member are told, and the member is given', async () => {
    const { reads } = await openAndRead(
      folder.put('gzip/tail.gz', Buffer.concat([packed, Buffer.from('not a member')])),
    );
    expect(reads[0]!.error).toMatchObject({ code: 'gzip-damaged' });
    // Its first byte is taken for the first half of a signature before the second proves it wrong.
    expect(reads[0]!.error!.offset! - packed.length).toBeOneOf([0, 1]);
    expect(reads[0]!.bytes.equals(bytes)).toBe(true);
  });
});

describe('bombs', async () => {
  const zeros = Buffer.alloc(64 << 20);

  test.each([
    ['bomb.gz', gzipSync(zeros)],
    ['bomb.zip', await makeZip([{ name: 'a.bin', bytes: zeros }])],
    ['bomb-in-gz.zip', await makeZip([{ name: 'a.gz', bytes: gzipSync(zeros), compress: false }])],
  ])('%s is stopped by its ratio after the first 16 MiB', async (name, bytes) => {
    const { reads } = await openAndRead(folder.put(`bombs/${name}`, bytes));
    expect(reads[0]!.error).toMatchObject({ code: 'archive-too-large' });
    expect(reads[0]!.bytes.length).toBe(16 << 20);
  });

  test('a high ratio below 16 MiB, or one that is allowed, is no bomb', async () => {
    const small = await openAndRead(folder.put('bombs/small.gz', gzipSync(zeros.subarray(0, 15 << 20))));
    expect(small.codes).toEqual([]);
    const allowed = await openAndRead(folder.put('bombs/bomb.gz', gzipSync(zeros)), { limits: { ratio: 1100 } });
    expect(allowed.codes).toEqual([]);
    expect(allowed.reads[0]!.bytes.length).toBe(zeros.length);
  });

  test('entries that lie on top of each other count each time towards the total', async () => {
    const entries = Array.from({ length: 10 }, (_, i) => ({
      name: `entry-${i}x`,
      bytes: frames(1000, i),
      compress: false,
    }));
    const zip = await makeZip(entries);
    // Every directory record points to the first entry, as in the known overlapping archives.
    for (let at = zip.indexOf(DIRECTORY); at >= 0; at = zip.indexOf(DIRECTORY, at + 1)) zip.writeUInt32LE(0, at + 42);
    const { reads, codes } = await openAndRead(folder.put('bombs/overlap.zip', zip), { limits: { totalBytes: 5000 } });
    expect(reads).toHaveLength(5);
    expect(codes.filter((code) => code === 'archive-too-large')).toHaveLength(5);
  });

  test('a size that the directory understates ends the entry', async () => {
    const zip = await makeZip([{ name: 'a.bin', bytes: frames(100_000, 1) }]);
    zip.writeUInt32LE(1000, zip.indexOf(DIRECTORY) + 24);
    const { codes } = await openAndRead(folder.put('bombs/understated.zip', zip));
    expect(codes).toEqual(['archive-damaged']);
  });

  test('too many entries are refused, with a directory and without', async () => {
    const zip = await makeZip(Array.from({ length: 20 }, (_, i) => ({ name: `e${i}x`, bytes: frames(10, i) })));
    const limits = { entries: 19 };
    for (const bytes of [zip, zip.subarray(0, zip.indexOf(DIRECTORY))]) {
      const { reads, codes } = await openAndRead(folder.put('bombs/many.zip', bytes), { limits });
      expect(reads).toEqual([]);
      expect(codes).toEqual(['archive-too-large']);
    }
  });
});

describe('entries of a zip', () => {
  const good = { name: 'good.bin', bytes: frames(1000, 1) };

  test.each([
    ['aa/bb/evil', '../../evil', /leads out/],
    ['aa/../evil'.replace('..', 'xx'), 'aa/../evil', /leads out/],
    ['xetc/passwd', '/etc/passwd', /absolute/],
    ['cx/evil.bin', 'c:/evil.bin', /absolute/],
    ['aa-evil.bin', 'aa\\evil.bin', /backslash/],
    ['evil-bin', 'evil\0bin', /zero byte/],
  ])('%s renamed to %j is left out, and the others are read', async (from, to, reason) => {
    const zip = renamed(await makeZip([{ name: from, bytes: frames(500, 2) }, good]), from, to);
    const { reads, problems } = await openAndRead(folder.put('entries/unsafe.zip', zip));
    expect(problems).toMatchObject([{ code: 'archive-entry-unsafe' }]);
    expect(problems[0]!.message).toMatch(reason);
    expect(problems[0]!.message).not.toMatch(/[\0-\x1f]/);
    expect(reads.map(({ name }) => name)).toEqual(['entries/unsafe.zip/good.bin']);
    expect(reads[0]!.bytes.equals(good.bytes)).toBe(true);
    // The same without the directory.
    const cut = await openAndRead(folder.put('entries/unsafe-cut.zip', zip.subarray(0, zip.indexOf(DIRECTORY))));
    expect(cut.codes).toEqual(['archive-cut', 'archive-entry-unsafe']);
    expect(cut.reads[0]!.bytes.equals(good.bytes)).toBe(true);
  });

  test('a symbolic link is left out', async () => {
    const zip = await makeZip([{ name: 'link.bin', bytes: Buffer.from('/etc/passwd'), mode: 0o120777 }, good]);
    const { reads, codes } = await openAndRead(folder.put('entries/link.zip', zip));
    expect(codes).toEqual(['archive-entry-unsafe']);
    expect(reads).toHaveLength(1);
  });

  test('a zip inside a zip is refused with what to do', async () => {
    const zip = await makeZip([{ name: 'inner.bin', bytes: await makeZip([good]), compress: false }, good]);
    const { reads, problems } = await openAndRead(folder.put('entries/nested.zip', zip));
    expect(problems).toMatchObject([{ code: 'archive-entry-unsupported' }]);
    expect(problems[0]!.message).toMatch(/inside a zip archive; unpack/);
    expect(reads).toHaveLength(1);
  });

  test('an empty entry and a text are no recordings; only the empty one is told', async () => {
    const zip = await makeZip([
      { name: 'e.bin', bytes: Buffer.alloc(0) },
      { name: 'README', bytes: Buffer.from('Grüße\n') },
      good,
    ]);
    const { reads, codes } = await openAndRead(folder.put('entries/empty.zip', zip));
    expect(codes).toEqual(['empty']);
    expect(reads).toHaveLength(1);
  });

  test.each([true, false])('a wrong CRC-32 is told after all bytes were given (compressed: %s)', async (compress) => {
    const zip = await makeZip([
      { ...good, compress },
      { name: 'other.bin', bytes: frames(700, 3) },
    ]);
    zip[zip.indexOf(DIRECTORY) + 16]! ^= 0x10;
    const file = folder.put('entries/crc.zip', zip);
    const { reads, problems } = await openAndRead(file);
    expect(problems).toEqual([]);
    expect(reads[0]!.error).toMatchObject({ code: 'archive-damaged', file });
    expect(reads[0]!.error!.message).toMatch(/entry good.bin: expected CRC-32 [0-9a-f]{8}, found [0-9a-f]{8}/);
    expect(reads[0]!.bytes.equals(good.bytes)).toBe(true);
    expect(reads[1]!.error).toBeUndefined();
  });

  test('a directory that counts fewer entries than it has does not hide the others', async () => {
    const zip = await makeZip([good, { name: 'other.bin', bytes: frames(700, 3) }]);
    zip.writeUInt16LE(1, zip.length - 22 + 8);
    zip.writeUInt16LE(1, zip.length - 22 + 10);
    const { reads, codes } = await openAndRead(folder.put('entries/count.zip', zip));
    expect(codes).toEqual(['archive-damaged']);
    expect(reads).toHaveLength(2);
  });
});

describe('archives that were cut or damaged', async () => {
  const inputs = [1, 2, 3, 4, 5].map((i) => ({
    name: `part-${'abcde'[i - 1]}.bin`,
    bytes: frames(2000 * i, i),
    compress: i % 2 === 0,
  }));
  const variants = {
    'sizes in front': await makeZip(inputs),
    'sizes behind': await makeZip(inputs.map((input) => ({ ...input, descriptor: true }))),
    'Zip64, sizes behind': await makeZip(inputs.map((input) => ({ ...input, descriptor: true, zip64: true }))),
  };
  /** Where each entry ends: at the next local header, or at the directory. */
  const ends = (zip: Buffer): number[] => {
    const found: number[] = [];
    for (let at = zip.indexOf('PK\x03\x04', 4, 'latin1'); at >= 0; at = zip.indexOf('PK\x03\x04', at + 4, 'latin1'))
      found.push(at);
    return [...found, zip.indexOf(DIRECTORY)];
  };

  test.each(Object.entries(variants))('cut at seeded places, all whole entries are given (%s)', async (name, zip) => {
    const entryEnds = ends(zip);
    expect(entryEnds).toHaveLength(inputs.length);
    const next = seeded(21);
    const places = [
      ...entryEnds,
      ...entryEnds.map((end) => end + 1),
      ...Array.from({ length: 150 }, () => 4 + (next() % (zip.length - 5))),
    ];
    for (const place of places) {
      const { reads, problems, codes } = await openAndRead(folder.put(`cut/${name}.zip`, zip.subarray(0, place)));
      expect(problems.map(({ code }) => code)).toEqual(['archive-cut']);
      expect(new Set(codes)).toEqual(new Set(['archive-cut']));
      const whole = entryEnds.filter((end) => end <= place).length;
      for (let i = 0; i < whole; i++) {
        expect(reads[i]!.error).toBeUndefined();
        expect(reads[i]!.bytes.equals(inputs[i]!.bytes)).toBe(true);
        expect(problems[0]!.message).toContain(inputs[i]!.name);
      }
      // Of the next one, what is there, and then the error.
      for (const read of reads.slice(whole)) {
        const original = inputs.find((input) => read.name.endsWith(input.name))!;
        // Less than a signature of what follows a stored entry cannot be told from its bytes.
        const length = Math.min(read.bytes.length, original.bytes.length);
        expect(read.bytes.length - length).toBeLessThan(4);
        expect(original.bytes.subarray(0, length).equals(read.bytes.subarray(0, length))).toBe(true);
        if (read.error) expect(read.error.code).toBe('archive-cut');
      }
      expect(reads.length).toBeLessThanOrEqual(whole + 1);
    }
  });

  test('the beginning of the entry that was cut off is not given up', async () => {
    const bytes = frames(400_000, 9);
    for (const compress of [true, false]) {
      const zip = await makeZip([{ name: 'only.bin', bytes, compress }]);
      const { reads, codes } = await openAndRead(folder.put('cut/only.zip', zip.subarray(0, zip.length * 0.75)));
      expect(codes).toEqual(['archive-cut', 'archive-cut']);
      expect(reads[0]!.bytes.length).toBeGreaterThan(250_000);
      expect(bytes.subarray(0, reads[0]!.bytes.length).equals(reads[0]!.bytes)).toBe(true);
    }
  });

  test('1,000 seeded mutations give RecordingErrors or the right bytes, and always an end', async () => {
    const next = seeded(31);
    const originals = Object.values(variants);
    let troubled = 0;
    for (let n = 0; n < 1000; n++) {
      const zip = Buffer.from(originals[n % originals.length]!);
      const from = n % 2 === 0 ? 0 : zip.indexOf(DIRECTORY) - 40; // every other one where the structure is
      for (let flips = 1 + (next() % 4); flips > 0; flips--) zip[from + (next() % (zip.length - from))] = next() & 0xff;
      const { reads, codes } = await openAndRead(folder.put('cut/mutated.zip', zip));
      if (codes.length > 0) troubled++;
      for (const read of reads) {
        const original = inputs.find((input) => read.name.endsWith(input.name));
        // What ends without an error had its CRC-32 checked. Its name may have been hit.
        if (!read.error && original) expect(read.bytes.equals(original.bytes)).toBe(true);
      }
    }
    expect(troubled).toBeGreaterThan(500);
  });

  test('400 seeded mutations of a gzip do the same', async () => {
    const bytes = frames(20_000, 7);
    const packed = gzipSync(bytes);
    const next = seeded(41);
    for (let n = 0; n < 400; n++) {
      const broken = Buffer.from(packed);
      broken[3 + (next() % (packed.length - 3))] = next() & 0xff;
      const { reads } = await openAndRead(folder.put('cut/mutated.gz', broken));
      if (!reads[0]!.error) expect(reads[0]!.bytes.equals(bytes)).toBe(true);
      else expect(reads[0]!.error.code).toBe('gzip-damaged');
    }
  });

  test('hostile Zip64 records do not end the process', async () => {
    const zip = variants['Zip64, sizes behind'];
    const locator = zip.indexOf('PK\x06\x07', 0, 'latin1');
    const record = zip.indexOf('PK\x06\x06', 0, 'latin1');
    for (const [at, value] of [
      [locator + 8, 0n],
      [locator + 8, 2n ** 64n - 1n],
      [record, 0n],
      [record + 24, 2n ** 64n - 1n],
      [record + 48, 2n ** 63n],
      [record + 48, BigInt(zip.length)],
    ] as const) {
      const hostile = Buffer.from(zip);
      hostile.writeBigUInt64LE(value, at);
      const { reads } = await openAndRead(folder.put('cut/hostile.zip', hostile));
      expect(reads.filter(({ error }) => !error)).toHaveLength(inputs.length);
    }
  });

  test('a deflate stream with other bytes behind it inside its entry is still whole', async () => {
    // Some packers align entries; the deflate stream says itself where it ends.
    const bytes = frames(5000, 1);
    const zip = await makeZip([
      { name: 'a.bin', bytes: Buffer.concat([deflateRawSync(bytes), Buffer.alloc(7)]), compress: false },
    ]);
    const directory = zip.indexOf(DIRECTORY);
    const reference = await makeZip([{ name: 'a.bin', bytes }]);
    zip.writeUInt16LE(8, 8);
    zip.writeUInt16LE(8, directory + 10);
    reference.copy(zip, directory + 16, reference.indexOf(DIRECTORY) + 16, reference.indexOf(DIRECTORY) + 20);
    zip.writeUInt32LE(bytes.length, directory + 24);
    const { reads, codes } = await openAndRead(folder.put('cut/padded.zip', zip));
    expect(codes).toEqual([]);
    expect(reads[0]!.bytes.equals(bytes)).toBe(true);
  });
});
