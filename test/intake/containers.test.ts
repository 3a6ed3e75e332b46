import { execFileSync, spawnSync } from 'node:child_process';
import { readFileSync } from 'node:fs';
import path from 'node:path';
import { gzipSync } from 'node:zlib';
import { describe, expect, test } from 'vitest';
import { openRecordings } from '../../src/intake/open-recordings.js';
import { frames, makeZip, openWith, readAll, readOnly, workFolder } from './material.js';

const folder = workFolder();
const bytes = frames(300_000, 1);
const firstHalf = (all: Buffer): Buffer => all.subarray(0, all.length / 2);
const secondHalf = (all: Buffer): Buffer => all.subarray(all.length / 2);

/** Each makes a container around `bytes`. */
const containers: Record<string, { name: string; make: (bytes: Buffer) => Buffer | Promise<Buffer> }> = {
  raw: { name: 'highfell.bin', make: (bytes) => bytes },
  gzip: { name: 'highfell.bin.gz', make: (bytes) => gzipSync(bytes) },
  'gzip of several members': {
    name: 'members.gz',
    make: (bytes) =>
      Buffer.concat([gzipSync(firstHalf(bytes)), gzipSync(Buffer.alloc(0)), gzipSync(secondHalf(bytes))]),
  },
  'gzip with zeros between and behind its members': {
    name: 'padded.gz',
    make: (bytes) =>
      Buffer.concat([gzipSync(firstHalf(bytes)), Buffer.alloc(512), gzipSync(secondHalf(bytes)), Buffer.alloc(2048)]),
  },
  'gzip without an extension': { name: 'nothing-in-its-name', make: (bytes) => gzipSync(bytes) },
  'zip, stored': { name: 'stored.zip', make: (bytes) => makeZip([{ name: 'a.bin', bytes, compress: false }]) },
  'zip, deflated': { name: 'deflated.zip', make: (bytes) => makeZip([{ name: 'a.bin', bytes }]) },
  'zip, stored, sizes behind the data': {
    name: 'stored-descriptor.zip',
    make: (bytes) => makeZip([{ name: 'a.bin', bytes, compress: false, descriptor: true }]),
  },
  'zip, deflated, sizes behind the data': {
    name: 'deflated-descriptor.zip',
    make: (bytes) => makeZip([{ name: 'a.bin', bytes, descriptor: true }]),
  },
  'Zip64, stored': {
    name: 'stored-64.zip',
    make: (bytes) => makeZip([{ name: 'a.bin', bytes, compress: false, zip64: true }]),
  },
  'Zip64, deflated, sizes behind the data': {
    name: 'deflated-64.zip',
    make: (bytes) => makeZip([{ name: 'a.bin', bytes, zip64: true, descriptor: true }]),
  },
  'gzip in a stored zip': {
    name: 'gzip-stored.zip',
    make: (bytes) => makeZip([{ name: 'a.bin.gz', bytes: gzipSync(bytes), compress: false }]),
  },
  'gzip in a deflated zip': {
    name: 'gzip-deflated.zip',
    make: (bytes) => makeZip([{ name: 'a.gz', bytes: gzipSync(bytes) }]),
  },
};

describe.each(Object.entries(containers))('%s', (_, { name, make }) => {
  const put = async (): Promise<string> => folder.put(name, await make(bytes));

  test('gives the bytes that were packed, each time it is read', async () => {
    const { recordings, problems } = await openRecordings([await put()]);
    expect(problems).toEqual([]);
    expect(recordings).toHaveLength(1);
    for (let time = 0; time < 2; time++) {
      const read = await readAll(recordings[0]!);
      expect(read.error).toBeUndefined();
      expect(read.bytes.equals(bytes)).toBe(true);
    }
  });

  test.each([1 << 16, 4097, 97])('gives the same bytes in blocks of %i', async (blockBytes) => {
    expect((await readOnly(await put(), { blockBytes })).equals(bytes)).toBe(true);
  });

  test('gives the same bytes when the disk gives one at a time', async () => {
    const short = frames(3000, 2);
    const open = openWith((read) => (into, at) => read(into.subarray(0, 1), at));
    const file = folder.put(`short-${name}`, await make(short));
    expect((await readOnly(file, { open })).equals(short)).toBe(true);
  });

  test('reports as many bytes read as it says are stored, within the headers', async () => {
    let read = 0;
    const file = await put();
    const { recordings } = await openRecordings([file], { onRead: (count) => (read += count) });
    expect(read).toBe(0);
    await readAll(recordings[0]!);
    const stored = recordings[0]!.storedBytes;
    expect(read).toBeGreaterThanOrEqual(stored);
    expect(read).toBeLessThan(stored + 100);
    expect(stored).toBeLessThanOrEqual(readFileSync(file).length);
  });
});

test('a reader that stops early leaves no file open', async () => {
  let open = 0;
  const counting = openWith((read) => read);
  const options = {
    open: async (file: string) => {
      const source = await counting(file);
      open++;
      return {
        ...source,
        close: async () => {
          open--;
          await source.close();
        },
      };
    },
  };
  for (const { name, make } of Object.values(containers)) {
    const { recordings } = await openRecordings([folder.put(name, await make(bytes))], options);
    expect(open).toBe(0);
    for await (const _ of recordings[0]!.blocks()) break;
    expect(open).toBe(0);
  }
});

test('a recording of many blocks stays within bounded memory', async () => {
  const big = await makeZip([
    { name: 'a.bin', bytes: Buffer.concat(Array.from({ length: 64 }, (_, i) => frames(1 << 20, i))) },
  ]);
  const { recordings } = await openRecordings([folder.put('big.zip', big)]);
  let largest = 0;
  let total = 0;
  for await (const { bytes: block } of recordings[0]!.blocks()) {
    largest = Math.max(largest, block.buffer.byteLength);
    total += block.length;
    await new Promise((resolve) => setTimeout(resolve, 1));
  }
  expect(total).toBe(64 << 20);
  expect(largest).toBeLessThanOrEqual(4 << 20);
});

// Outside writers: Info-ZIP's zip and GNU gzip (both Debian), and Python's own zipfile and gzip modules.
const has = (program: string): boolean => {
  const found = spawnSync(program, ['--version'], { stdio: 'ignore' }).error === undefined;
  if (!found) console.log(`skipped: there is no ${program} on PATH`);
  return found;
};

describe('archives by outside writers', () => {
  const raw = folder.put('outside/highfell.bin', bytes);
  const at = (name: string): string => path.join(folder.path, 'outside', name);

  test.runIf(has('gzip')).each(['-1', '-9'])('GNU gzip %s', async (level) => {
    const packed = execFileSync('gzip', ['-c', level, raw], { maxBuffer: 1 << 24 });
    expect((await readOnly(folder.put('outside/by-gzip.bin', packed))).equals(bytes)).toBe(true);
  });

  test.runIf(has('zip')).each([['-0'], ['-9'], ['-0', '-fz'], ['-6', '-fd'], ['-0', '-fd']])(
    'Info-ZIP %s %s',
    async (...flags) => {
      const file = at(`by-zip${flags.join('')}.zip`);
      execFileSync('zip', ['-q', '-j', ...flags.filter(Boolean), file, raw]);
      expect((await readOnly(file)).equals(bytes)).toBe(true);
    },
  );

  test.runIf(has('zip'))('Info-ZIP into a pipe', async () => {
    const packed = execFileSync('zip', ['-q', '-j', '-', raw], { maxBuffer: 1 << 24 });
    expect((await readOnly(folder.put('outside/piped.zip', packed))).equals(bytes)).toBe(true);
  });

  test.runIf(has('zip'))('an entry that Info-ZIP encrypted is refused with its reason', async () => {
    const file = at('secret.zip');
    execFileSync('zip', ['-q', '-j', '-P', 'sail', file, raw]);
    const { recordings, problems } = await openRecordings([file]);
    expect(recordings).toEqual([]);
    expect(problems.map(({ code }) => code)).toEqual(['archive-entry-unsupported']);
    expect(problems[0]!.message).toMatch(/encrypted/);
  });

  const script = `
import gzip, sys, zipfile
raw, folder = sys.argv[1:]
data = open(raw, 'rb').read()
open(folder + '/python.bin.gz', 'wb').write(gzip.compress(data))
for name, method in (('stored', zipfile.ZIP_STORED), ('deflated', zipfile.ZIP_DEFLATED), ('bzip2', zipfile.ZIP_BZIP2)):
    with zipfile.ZipFile(f'{folder}/python-{name}.zip', 'w', method) as z:
        z.writestr('highfell.bin', data)
class Pipe:
    def __init__(self, f): self.f = f
    def write(self, b): return self.f.write(b)
    def flush(self): self.f.flush()
for name, method in (('stored', zipfile.ZIP_STORED), ('deflated', zipfile.ZIP_DEFLATED)):
    with open(f'{folder}/python-{name}-piped.zip', 'wb') as f, zipfile.ZipFile(Pipe(f), 'w', method) as z:
        with z.open('highfell.bin', 'w', force_zip64=True) as e: e.write(data)
`;
  describe.runIf(has('python3'))("Python's modules", () => {
    const made =
      has('python3') && spawnSync('python3', ['-c', script, raw, path.join(folder.path, 'outside')]).status === 0;
    test.each([
      'python.bin.gz',
      'python-stored.zip',
      'python-deflated.zip',
      'python-stored-piped.zip',
      'python-deflated-piped.zip',
    ])('%s', async (name) => {
      expect(made).toBe(true);
      expect((await readOnly(at(name))).equals(bytes)).toBe(true);
    });

    test('an entry packed with bzip2 is refused with its method', async () => {
      const { recordings, problems } = await openRecordings([at('python-bzip2.zip')]);
      expect(recordings).toEqual([]);
      expect(problems.map(({ code }) => code)).toEqual(['archive-entry-unsupported']);
      expect(problems[0]!.message).toMatch(/method 12/);
    });

    test('without their directories, the archives that were written as they went give the same bytes', async () => {
      for (const name of [
        'python-stored-piped.zip',
        'python-deflated-piped.zip',
        'python-stored.zip',
        'python-deflated.zip',
      ]) {
        const whole = readFileSync(at(name));
        const cut = whole.subarray(0, whole.indexOf(Buffer.from('PK\x01\x02', 'latin1'), bytes.length / 4) + 2);
        const { recordings, problems } = await openRecordings([folder.put(`outside/cut-${name}`, cut)]);
        expect(problems.map(({ code }) => code)).toEqual(['archive-cut']);
        const read = await readAll(recordings[0]!);
        expect(read.error).toBeUndefined();
        expect(read.bytes.equals(bytes)).toBe(true);
      }
    });
  });
});
