// The Dotterel campaign in samples/: its recordings hold what its truth says, by the brute-force reader and file checksums alone.
import { createHash } from 'node:crypto';
import { readdirSync, readFileSync } from 'node:fs';
import { fileURLToPath } from 'node:url';
import { expect, test } from 'vitest';
import type { RehearsalTruth } from '../../src/rehearsal/truth.js';
import { scanFrames, stationBytes } from './scan.js';

const folder = fileURLToPath(new URL('../../samples/dotterel', import.meta.url));
const truth = JSON.parse(readFileSync(`${folder}/truth.json`, 'utf8')) as RehearsalTruth;
const BASEBAND_BYTES = 3216;

const expand = (ranges: readonly [number, number][]): number[] =>
  ranges.flatMap(([first, last]) => Array.from({ length: last - first + 1 }, (_, i) => first + i));

test('the true files are those that the truth describes', () => {
  const named = truth.files.filter(({ file }) => file !== 0);
  expect(named.map(({ name }) => name)).toEqual(readdirSync(`${folder}/files`).sort());
  for (const { name, bytes, sha256 } of named) {
    const content = readFileSync(`${folder}/files/${name}`);
    expect(content).toHaveLength(bytes);
    expect(createHash('sha256').update(content).digest('hex')).toBe(sha256);
  }
});

test.each(truth.stations)('$name recorded exactly the transmissions of the truth, byte for byte', async (station) => {
  const recordings = await stationBytes(`${folder}/recordings`, station.name);
  expect(recordings.map(({ length }) => length)).toEqual(station.recordings.map(({ bytes }) => bytes));
  const frames = recordings.flatMap((bytes) => scanFrames(bytes, truth.frameBytes, BASEBAND_BYTES));
  expect(frames.map(({ counter }) => counter)).toEqual(station.received.flatMap(({ counters }) => expand(counters)));
  for (const { file, name, stations } of truth.files) {
    const mine = frames.filter((frame) => frame.file === file);
    const segments = [...new Set(mine.map(({ segment }) => segment))].sort((a, b) => a - b);
    expect(segments).toEqual(expand(stations[station.name]!));
    if (file === 0) continue;
    const content = readFileSync(`${folder}/files/${name}`);
    for (const { segment, payload } of mine) {
      expect(payload.equals(content.subarray(segment * 984, (segment + 1) * 984))).toBe(true);
    }
  }
});

test('some files are whole at one station, some only together, and a picture and the clip stay partial', () => {
  const fate = (file: RehearsalTruth['files'][number]): string => {
    if (file.missing.length > 0) return 'partial';
    return Object.values(file.stations).some((ranges) => expand(ranges).length === file.segments)
      ? 'at one'
      : 'together';
  };
  const fates = Object.fromEntries(truth.files.map((file) => [file.name, fate(file)]));
  expect(Object.values(fates)).toContain('at one');
  expect(Object.values(fates)).toContain('together');
  expect(fates['sail-0106.mp4']).toBe('partial');
  expect(fates['limb-0101.jpg']).toBe('partial');
});
