import { createHash } from 'node:crypto';
import { readdirSync, readFileSync, statSync, writeFileSync } from 'node:fs';
import { join } from 'node:path';
import { describe, expect, test } from 'vitest';
import { UsageError } from '../../src/errors.js';
import { type RehearsalOptions, rehearse } from '../../src/rehearsal/rehearse.js';
import { faultlessStation } from '../../src/rehearsal/stations.js';
import type { RehearsalTruth, RunRanges } from '../../src/rehearsal/truth.js';
import { ROUGH_STATIONS, scratchFolder, smallMission, writeFiles } from './campaign.js';
import { scanFrames, stationBytes } from './scan.js';

const FRAME_BYTES = 220;

const expand = (ranges: readonly [number, number][]): number[] =>
  ranges.flatMap(([first, last]) => Array.from({ length: last - first + 1 }, (_, i) => first + i));
const counters = (runs: readonly RunRanges[]): number[] => runs.flatMap((run) => expand(run.counters));

/** SHA-256 of every file below `folder`, by path. */
function hashes(folder: string): Record<string, string> {
  const all: Record<string, string> = {};
  for (const name of readdirSync(folder, { recursive: true }) as string[]) {
    const path = join(folder, name);
    if (statSync(path).isFile()) all[name] = createHash('sha256').update(readFileSync(path)).digest('hex');
  }
  return all;
}

async function run(
  options: Partial<RehearsalOptions> = {},
): Promise<{ truth: RehearsalTruth; folder: string; files: string }> {
  const folder = scratchFolder();
  const files = writeFiles(folder);
  const defaults = { mission: smallMission(), files, outDir: folder, seconds: 12, stations: ROUGH_STATIONS };
  return { truth: await rehearse({ ...defaults, ...options }), folder, files };
}

/** A station's frames as a brute-force reader finds them, with the counters that the truth names, in the same order. */
async function compare(
  { truth, folder }: { truth: RehearsalTruth; folder: string },
  basebandBytes: number,
): Promise<{ scanned: number; named: number }> {
  let scanned = 0;
  let named = 0;
  for (const station of truth.stations) {
    const recordings = await stationBytes(join(folder, 'recordings'), station.name);
    const frames = recordings.flatMap((bytes) => scanFrames(bytes, FRAME_BYTES, basebandBytes));
    const expected = counters(station.received).map((counter) => counter % 2 ** 32);
    expect(frames.map(({ counter }) => counter)).toEqual(expected);
    scanned += frames.length;
    named += station.transmissions;
    const segments = new Map(truth.files.map(({ file }) => [file, new Set<number>()]));
    for (const { file, segment } of frames) segments.get(file)!.add(segment);
    // Editions share a number, so only files with one edition can be told apart by number.
    for (const { file, stations } of truth.files.filter(
      ({ file: n }) => truth.files.filter((f) => f.file === n).length === 1,
    )) {
      expect([...segments.get(file)!].sort((a, b) => a - b)).toEqual(expand(stations[station.name]!));
    }
  }
  return { scanned, named };
}

describe('a brute-force reader outside the project finds exactly the transmissions of the truth', () => {
  test('when nothing is lost', async () => {
    const campaign = await run({ stations: [faultlessStation('reedbank', 0, 12)], beam: null });
    const { scanned } = await compare(campaign, 1194);
    expect(campaign.truth.totals.whole).toBe(campaign.truth.totals.files);
    // 12 s at 400 kbit/s make 2,727 frames of 220 bytes; the last baseband frame of 1,184 bytes is not full.
    expect(scanned).toBeGreaterThan(2715);
    expect(scanned).toBeLessThanOrEqual(2727);
  });

  test.each([1, 2, 3, 4, 5, 6])('with losses, damage, cuts, holes and garbage, seed %i', async (seed) => {
    const campaign = await run({ seed });
    const { scanned, named } = await compare(campaign, 1194);
    expect(scanned).toBe(named);
    const logs = campaign.truth.stations.flatMap(({ recordings }) => recordings);
    expect(logs.some(({ holes }) => holes.some(({ garbage }) => garbage?.kind === 'noise'))).toBe(true);
    expect(logs.some(({ holes }) => holes.some(({ garbage }) => garbage?.kind === 'zeros'))).toBe(true);
    expect(logs.some(({ damagedFrames }) => damagedFrames > 0)).toBe(true);
    expect(logs.some(({ cutAtStart }) => cutAtStart > 0)).toBe(true);
    expect(logs.some(({ cutAtEnd }) => cutAtEnd > 0)).toBe(true);
  });

  test('when mission frames are longer than a data field', async () => {
    await compare(await run({ mission: smallMission(150), seed: 7 }), 150);
  });

  test('when baseband frames hold whole mission frames', async () => {
    await compare(await run({ mission: smallMission(890), seed: 8 }), 890);
  });

  test('across a reboot, a wrap of the counter and a replaced file', async () => {
    const folder = scratchFolder();
    const path = join(folder, 'new.bin');
    writeFileSync(path, new Uint8Array(5000).fill(9));
    const events = { startCounter: 2 ** 32 - 300, rebootBefore: 900, replacements: [{ from: 950, file: 2, path }] };
    const campaign = await run({ seed: 9, events });
    await compare(campaign, 1194);
    const { truth } = campaign;
    expect(truth.carousel.map(({ run }) => run)).toEqual([1, 2, 2]);
    expect(truth.files.map(({ id }) => id)).toEqual(['0.1', '0.2', '1.1', '2.1', '2.2', '3.1', '4.1']);
    expect(truth.carousel[0]!.counters).toEqual([2 ** 32 - 300, 2 ** 32 + 599]);
  });
});

test('what a station received holds the bytes of the files', async () => {
  const { truth, folder, files } = await run();
  for (const { name } of truth.stations) {
    for (const bytes of await stationBytes(join(folder, 'recordings'), name)) {
      for (const { file, segment, payload } of scanFrames(bytes, FRAME_BYTES, 1194)) {
        if (file === 0) continue;
        const content = readFileSync(join(files, `${String.fromCharCode(96 + file)}.bin`));
        expect(payload.equals(content.subarray(segment * 200, (segment + 1) * 200))).toBe(true);
      }
    }
  }
});

test('the same seed gives the same bytes, whatever the time zone; another seed gives others', async () => {
  const zone = process.env['TZ'];
  const first = hashes((await run({ seed: 3 })).folder);
  process.env['TZ'] = 'Pacific/Chatham';
  const again = hashes((await run({ seed: 3 })).folder);
  if (zone === undefined) delete process.env['TZ'];
  else process.env['TZ'] = zone;
  expect(again).toEqual(first);
  const other = hashes((await run({ seed: 4 })).folder);
  const changed = Object.keys(other).filter((name) => name.includes('recordings') && other[name] !== first[name]);
  expect(changed.length).toBeGreaterThanOrEqual(3);
});

test('the truth is consistent: received lies in sent, the stations together make the whole, missing is the rest', async () => {
  const { truth } = await run({ seed: 10 });
  const [run1] = truth.carousel;
  for (const { received, transmissions } of truth.stations) {
    expect(counters(received)).toHaveLength(transmissions);
    for (const counter of counters(received)) {
      expect(counter).toBeGreaterThanOrEqual(run1!.counters[0]);
      expect(counter).toBeLessThanOrEqual(run1!.counters[1]);
    }
  }
  const heard = new Set(truth.stations.flatMap(({ received }) => counters(received)));
  expect(heard.size).toBe(truth.totals.transmissions);
  for (const file of truth.files) {
    const union = new Set(Object.values(file.stations).flatMap(expand));
    expect([...union].sort((a, b) => a - b)).toEqual(expand(file.received));
    expect([...expand(file.received), ...expand(file.missing)].sort((a, b) => a - b)).toEqual(
      expand([[0, file.segments - 1]]),
    );
    // From the carousel's own account: every sending of this file that anyone heard.
    const sent = counters(file.sent).filter((counter) => heard.has(counter));
    expect(sent.length).toBeGreaterThanOrEqual(union.size);
  }
  const frames = run1!.counters[1] + 1;
  expect(truth.files.reduce((sum, { sent }) => sum + counters(sent).length, 0)).toBe(frames);
});

test('each station hands in its recordings in its own packaging, named by its own clock', async () => {
  const { truth, folder } = await run();
  expect(readdirSync(join(folder, 'recordings')).sort()).toEqual(['reedbank.zip', 'stonecrop']);
  const files = truth.stations.map(({ recordings }) => recordings.flatMap((recording) => recording.files));
  expect(files[0]![0]).toBe('recordings/reedbank.zip/reedbank-20270314T021530Z-0001.bin');
  // Sessions begin 2 s and 5.5 s after 02:15:00, and this clock is 70 s behind.
  expect(files[1]).toEqual([
    'recordings/stonecrop/stonecrop-20270314T021352Z.bin.gz',
    'recordings/stonecrop/stonecrop-20270314T021355Z.bin.gz',
  ]);
});

test('the truth on disk is the truth returned', async () => {
  const { truth, folder } = await run();
  expect(JSON.parse(readFileSync(join(folder, 'truth.json'), 'utf8'))).toEqual(truth);
});

test('four stations are planned when none are given', async () => {
  const { truth } = await run({ stations: undefined as never, seconds: 40 });
  expect(truth.stations.map(({ name }) => name)).toEqual(['saltmarsh', 'highfell', 'pinebarren', 'lowquay']);
  for (const { transmissions } of truth.stations) expect(transmissions).toBeGreaterThan(0);
});

describe('a rehearsal that cannot be is refused before anything is written', () => {
  test.each<[string, Partial<RehearsalOptions>, string]>([
    ['without a rate', { mission: { ...smallMission(), downlink: {} } }, 'downlink.rate'],
    [
      'through other layers',
      { mission: { ...smallMission(), layers: [{ name: 'dvb-s2', options: {} }] } },
      'dvb-s2, stream',
    ],
    ['without files', { files: [] }, 'no files'],
    ['with a station name that is a path', { stations: [faultlessStation('../up', 0, 1)] }, 'station name'],
    [
      'with two stations of one name',
      { stations: [faultlessStation('a', 0, 1), faultlessStation('A', 0, 1)] },
      'same name',
    ],
    ['for no time', { seconds: 0 }, 'no length'],
  ])('%s', async (_, options, message) => {
    await expect(run(options)).rejects.toThrow(UsageError);
    await expect(run(options)).rejects.toThrow(message);
  });

  test('into a folder that holds recordings', async () => {
    const { folder, files } = await run();
    await expect(
      rehearse({ mission: smallMission(), files, outDir: folder, seconds: 1, stations: ROUGH_STATIONS }),
    ).rejects.toThrow('holds recordings already');
  });
});
