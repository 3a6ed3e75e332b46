// The command line as a user meets it: exit codes, messages, output for people and for machines.
import fs from 'node:fs';
import os from 'node:os';
import path from 'node:path';
import { fileURLToPath } from 'node:url';
import { gzipSync } from 'node:zlib';
import { afterAll, beforeAll, describe, expect, test } from 'vitest';
import { ZipFile } from 'yazl';
import { textWidth } from '../../src/report/plain-text.js';
import { passweave, problemLines } from '../support/run.js';

const campaign = fileURLToPath(new URL('../../samples/dotterel', import.meta.url));
const mission = path.join(campaign, 'mission.yaml');
const recordings = path.join(campaign, 'recordings');
const good = path.join(recordings, 'lowquay');
const work = fs.mkdtempSync(path.join(os.tmpdir(), 'passweave-test-'));
let next = 0;
const fresh = (): string => path.join(work, `out-${next++}`);
const fixture = (name: string, content: Uint8Array | string): string => {
  const file = path.join(work, name);
  fs.writeFileSync(file, content);
  return file;
};
const recover = (...args: string[]): ReturnType<typeof passweave> =>
  passweave('recover', ...args, '--mission', mission);
/** Distinct segments that station lowquay got, as read from coverage.json. */
const segmentsOf = (out: string, station: string): number => {
  const { stations } = JSON.parse(fs.readFileSync(path.join(out, 'coverage.json'), 'utf8')) as {
    stations: { name: string; segments: { received: number } }[];
  };
  return stations.find(({ name }) => name === station)?.segments.received ?? -1;
};
const chunk = fs.readFileSync(path.join(good, fs.readdirSync(good).sort()[0]!));

let all: string;
let alone: number;
beforeAll(() => {
  all = fresh();
  expect(recover(recordings, '--out', all).code).toBe(0);
  const out = fresh();
  expect(recover(good, '--out', out).code).toBe(0);
  alone = segmentsOf(out, 'lowquay');
});
afterAll(() => fs.rmSync(work, { recursive: true, force: true }));

describe('recover', () => {
  test('writes the output folder of the contract', () => {
    expect(fs.readdirSync(all).sort()).toEqual([
      'coverage.json',
      'files',
      'ledger',
      'missing.csv',
      'partial',
      'report.html',
      'salvage',
    ]);
  });

  test('its summary fits 80 columns', () => {
    const { stdout } = passweave('report', all);
    expect(stdout).toContain('partial');
    expect(stdout.split('\n').filter((line) => textWidth(line) > 80)).toEqual([]);
  });

  test('--json prints the coverage document alone on stdout', () => {
    const { stdout, code } = recover(recordings, '--out', all, '--json');
    expect(code).toBe(0);
    expect(stdout).toBe(fs.readFileSync(path.join(all, 'coverage.json'), 'utf8'));
    expect(JSON.parse(stdout)).toMatchObject({ format: 'passweave-coverage/1', mission: 'Dotterel' });
  });

  test('--require-complete ends with 3 while files are incomplete', () => {
    expect(recover(recordings, '--out', all, '--require-complete').code).toBe(3);
  });

  test('--station names whose a recording is', () => {
    const out = fresh();
    expect(recover('--station', `heron=${good}`, '--out', out).code).toBe(0);
    expect(segmentsOf(out, 'heron')).toBe(alone);
  });
});

describe('a recording that is no good gets one message, and the good one beside it is recovered in full', () => {
  const noise = Buffer.alloc(50_000, 0).map((_, i) => (Math.imul(i + 1, 2654435761) >>> 13) & 255);
  const cases: [string, () => string | Promise<string>, RegExp][] = [
    ['an empty file', () => fixture('empty.bin', ''), /empty\.bin.*(empty|no bytes)/i],
    ['random bytes', () => fixture('noise.bin', noise), /noise\.bin.*no frame of mission/],
    ['a file that is not there', () => path.join(work, 'nowhere.bin'), /nowhere\.bin/],
    ['a zip with ../ names', () => unsafeZip(), /unsafe\.zip.*\.\.\/escaped\.bin/],
    ['a zip cut in the middle', async () => cutFile(await plainZip('whole.zip'), 'cut.zip', 0.6), /cut\.zip/],
    ['a gzip cut in the middle', () => fixture('cut.bin.gz', gzipSync(chunk).subarray(0, 200_000)), /cut\.bin\.gz/],
  ];
  test.each(cases)('%s', async (_, make, message) => {
    const bad = await make();
    const out = fresh();
    const result = recover(bad, good, '--out', out);
    expect(problemLines(result)).toHaveLength(1);
    expect(problemLines(result)[0]).toMatch(message);
    expect(result.code).toBe(2);
    expect(segmentsOf(out, 'lowquay')).toBe(alone);
    expect(fs.existsSync(path.join(work, 'escaped.bin'))).toBe(false);
  });

  test.each(cases.slice(0, 3))('%s alone ends with 1', async (_, make, message) => {
    const out = fresh();
    const result = recover(await make(), '--out', out);
    expect(problemLines(result).join('\n')).toMatch(message);
    expect(result.code).toBe(1);
  });

  test('a recording cut in the middle of a frame is no problem: only that frame is lost', () => {
    const out = fresh();
    const result = recover(
      '--station',
      `lowquay=${fixture('cut.bin', chunk.subarray(0, chunk.length - 1500))}`,
      '--out',
      out,
    );
    expect(result.code).toBe(0);
    expect(problemLines(result)).toEqual([]);
    const whole = fresh();
    recover('--station', `lowquay=${fixture('uncut.bin', chunk)}`, '--out', whole);
    expect(segmentsOf(whole, 'lowquay') - segmentsOf(out, 'lowquay')).toBeLessThanOrEqual(3);
  });

  test('bytes flipped at one in a thousand cost only the frames they hit', () => {
    const flipped = Buffer.from(chunk);
    for (let i = 500; i < flipped.length; i += 1000) flipped[i]! ^= 1 << (i % 8);
    const out = fresh();
    const result = recover(fixture('flipped.bin', flipped), '--out', out);
    expect(result.code).toBe(0);
    expect(problemLines(result)).toEqual([]);
    const { files } = JSON.parse(fs.readFileSync(path.join(out, 'coverage.json'), 'utf8')) as {
      files: { state: string }[];
    };
    expect(files.filter(({ state }) => state === 'whole')).toEqual([]);
  });

  async function plainZip(name: string): Promise<string> {
    const zip = new ZipFile();
    zip.addBuffer(chunk, 'a.bin');
    return writeZip(zip, name);
  }

  async function unsafeZip(): Promise<string> {
    const zip = new ZipFile();
    // yazl refuses such names, so a harmless one of the same length is put there and replaced.
    zip.addBuffer(chunk, 'xx/escaped.bin');
    const file = await writeZip(zip, 'unsafe.zip');
    fs.writeFileSync(
      file,
      Buffer.from(fs.readFileSync(file).toString('latin1').replaceAll('xx/escaped', '../escaped'), 'latin1'),
    );
    return file;
  }

  async function writeZip(zip: ZipFile, name: string): Promise<string> {
    zip.end();
    const parts: Buffer[] = [];
    for await (const part of zip.outputStream) parts.push(part as Buffer);
    return fixture(name, Buffer.concat(parts));
  }

  function cutFile(file: string, name: string, share: number): string {
    const bytes = fs.readFileSync(file);
    return fixture(name, bytes.subarray(0, Math.floor(bytes.length * share)));
  }
});

describe('mistakes in the call', () => {
  const text = fs.readFileSync(mission, 'utf8');
  test.each([
    ['a wrong CRC name', text.replace('CRC-16/IBM-3740', 'CRC-16/IBM-3741'), /:\d+:\d+: .*crc.*CRC-16\/IBM-3740/],
    ['a field outside the frame', text.replace('at: 10, bits: 24', 'at: 1003, bits: 24'), /:\d+:\d+: .*segment/],
    ['an unknown key', text.replace('rotation:', 'rotatoin:'), /:\d+:\d+: .*rotatoin/],
    ['an unknown layer', text.replace('- stream', '- steam'), /:\d+:\d+: .*steam/],
    ['a wrong type', text.replace('length: 1004', 'length: long'), /:\d+:\d+: .*length/],
    ['YAML that cannot be read', text.replace('mission: Dotterel', 'mission: [Dotterel'), /:\d+:\d+: /],
  ])('a mission file with %s: line and column, exit 1, nothing started', (_, content, message) => {
    const file = fixture('mission-with-mistake.yaml', content);
    const check = passweave('mission', 'check', file);
    expect(check.code).toBe(1);
    expect(problemLines(check).join('\n')).toMatch(message);
    const out = fresh();
    const result = passweave('recover', good, '--mission', file, '--out', out);
    expect(result.code).toBe(1);
    expect(problemLines(result)).toEqual(problemLines(check));
    expect(fs.existsSync(out)).toBe(false);
  });

  test('mission check says what a right file means', () => {
    const result = passweave('mission', 'check', mission);
    expect(result.code).toBe(0);
    expect(result.stdout).toContain('dvb-s2 > stream > frame');
  });

  test.each([
    [['recover']],
    [['recover', good]],
    [['repeats', work]],
    [['merge', path.join(work, 'none'), '--out', path.join(work, 'x')]],
    [['nonsense']],
  ])('%j ends with 1 and one line on stderr that says what is wrong', (args) => {
    const result = passweave(...args);
    expect(result.code).toBe(1);
    expect(result.stdout).toBe('');
    expect(result.stderr).not.toContain('    at ');
    expect(result.stderr.length).toBeGreaterThan(10);
  });

  test('a ledger of another mission is refused and left as it is', () => {
    const other = fixture('other.yaml', text.replace('at: 4, bits: 32', 'at: 4, bits: 24'));
    const before = fs.readFileSync(path.join(all, 'coverage.json'));
    const result = passweave('recover', good, '--mission', other, '--out', all);
    expect(result.code).toBe(1);
    expect(problemLines(result).join('\n')).toMatch(/layers or frame differ/);
    expect(fs.readFileSync(path.join(all, 'coverage.json')).equals(before)).toBe(true);
  });
});

describe('the other commands', () => {
  test('inspect tells container, records, CRC statistics and counters', () => {
    const result = passweave('inspect', path.join(recordings, 'highfell.zip'), '--mission', mission);
    expect(result.code).toBe(0);
    for (const words of ['zip', 'record of 3216 bytes', 'generic continuous', '% of', 'counters'])
      expect(result.stdout).toContain(words);
    expect(result.stdout.split('\n').filter((line) => line.length > 100)).toEqual([]);
  });

  test('inspect without a mission finds the chain by itself, and its stub is a mission file that recovers the same', () => {
    const result = passweave('inspect', path.join(recordings, 'highfell.zip'));
    expect(result.code).toBe(0);
    expect(result.stdout).toContain('1ACFFC1D every 1004 bytes');
    expect(result.stdout.split('\n').filter((line) => textWidth(line) > 80)).toEqual([]);
    const [told] = JSON.parse(passweave('inspect', path.join(recordings, 'highfell.zip'), '--json').stdout) as [
      { chain: { stub: string; chains: { layers: { name: string }[] }[] } },
    ];
    expect(told.chain.chains.map(({ layers }) => layers.map(({ name }) => name))).toEqual([['dvb-s2', 'stream']]);
    expect(result.stdout).toContain(told.chain.stub);
    const stub = fixture('stub.yaml', told.chain.stub);
    expect(passweave('mission', 'check', stub).code).toBe(0);
    const out = fresh();
    expect(passweave('recover', good, '--mission', stub, '--out', out).code).toBe(0);
    expect(segmentsOf(out, 'lowquay')).toBe(alone);
  });

  test('inspect of what is no recording says that nothing is proven, prints no stub and ends with 0', () => {
    const result = passweave('inspect', fixture('letters.bin', Buffer.alloc(90_000, 'a station log, line by line\n')));
    expect(result.code).toBe(0);
    expect(result.stdout).toContain('no layer is proven');
    expect(result.stdout).not.toContain('layers:');
  });

  test('pack and merge carry a ledger from one folder to another', () => {
    const zip = path.join(work, 'station.zip');
    expect(passweave('pack', all, '--out', zip).code).toBe(0);
    const out = fresh();
    expect(passweave('merge', zip, '--out', out).code).toBe(0);
    expect(fs.readFileSync(path.join(out, 'coverage.json'), 'utf8')).toBe(
      fs.readFileSync(path.join(all, 'coverage.json'), 'utf8'),
    );
  });

  test('repeats estimates, and reminds of licence, power and duty limits', () => {
    const { stdout, code } = passweave('repeats', all);
    expect(code).toBe(0);
    expect(stdout).toMatch(/licence/);
    const estimate = JSON.parse(passweave('repeats', all, '--json').stdout) as { rows: { repeats: number }[] };
    expect(estimate.rows).toHaveLength(5);
    expect(estimate.rows[0]!.repeats).toBeGreaterThan(1);
  });

  test('rehearse makes recordings that recover then reads', () => {
    const folder = fresh();
    const made = passweave(
      'rehearse',
      '--mission',
      mission,
      '--files',
      path.join(campaign, 'files'),
      '--out',
      folder,
      '--rotations',
      '2',
      '--stations',
      'heron,plover',
    );
    expect(made.code).toBe(0);
    const out = fresh();
    expect(passweave('recover', path.join(folder, 'recordings'), '--mission', mission, '--out', out).code).toBe(0);
    expect(segmentsOf(out, 'heron')).toBeGreaterThan(0);
  });
});
