// The estimate of the Dotterel sample: with one antenna that faces the Earth for part of each rotation the data is sent several times
// per rotation, and stations whose views overlap fill each other's losses (common practice).
import fs from 'node:fs';
import os from 'node:os';
import path from 'node:path';
import { fileURLToPath } from 'node:url';
import { afterAll, beforeAll, expect, test } from 'vitest';
import { estimate } from '../../src/estimate.js';
import type { Estimate } from '../../src/planning/estimate-repeats.js';
import { recover } from '../../src/recover.js';
import type { RehearsalTruth } from '../../src/rehearsal/truth.js';

const campaign = fileURLToPath(new URL('../../samples/dotterel', import.meta.url));
const truth = JSON.parse(fs.readFileSync(path.join(campaign, 'truth.json'), 'utf8')) as RehearsalTruth;
const out = fs.mkdtempSync(path.join(os.tmpdir(), 'passweave-repeats-'));
const of = (...stations: string[]): Estimate => estimate(out, { stations, quick: true });
let all: Estimate;

beforeAll(async () => {
  const mission = path.join(campaign, 'mission.yaml');
  const { report } = await recover({ recordings: [path.join(campaign, 'recordings')], mission, out, repeats: true });
  all = report.repeats!;
});
afterAll(() => fs.rmSync(out, { recursive: true, force: true }));

test('the rotation is the true one within half a percent, and more precisely than that', () => {
  expect(all.rotation!.source).toBe('receptions');
  expect(Math.abs(all.rotation!.seconds! / truth.rotationSeconds! - 1)).toBeLessThan(0.005);
});

test('the carousel is the true one, and one repeat of everything fits', () => {
  expect(all.cycle).toEqual({ transmissions: truth.carousel[0]!.cycle, observed: true });
  expect(all.fitPerRotation).toBe(1);
  expect(all.segments).toBe(1617);
});

test('the count is at least 2, and falls, never rises, when an overlapping station is added', () => {
  const stations = truth.stations.map(({ name }) => name);
  expect(all.rows[0]!.repeats!).toBeGreaterThanOrEqual(2);
  const count = (estimated: Estimate): number => estimated.rows[0]!.repeats ?? Number.POSITIVE_INFINITY;
  let before = Number.POSITIVE_INFINITY;
  for (let n = 1; n <= stations.length; n++) {
    const now = count(of(...stations.slice(0, n)));
    expect(now).toBeLessThanOrEqual(before);
    before = now;
  }
  expect(count(of('saltmarsh', 'highfell'))).toBeLessThan(count(of('highfell')));
});

test('what to send next is what is missing, the picture before the clip, with the pixels it brings', () => {
  const { files, schedule } = all.sendNext;
  expect(files.map(({ name, count, unit }) => [name, count, unit])).toEqual([
    ['limb-0101.jpg', 4, 'pixel'],
    ['sail-0106.mp4', 9, 'byte'],
  ]);
  expect(schedule!.segments).toBe(13);
  expect(schedule!.left).toBe(0);
});

test('a station that is not there is a usage error that names those that are', () => {
  expect(() => of('nowhere')).toThrow(/no station "nowhere".*highfell, lowquay, pinebarren, saltmarsh/);
  expect(() => estimate(out, { target: 1 })).toThrow(/between 0 and 1/);
});

test('another rotation or rate is taken as given', () => {
  const other = estimate(out, { quick: true, rotationSeconds: 93.9, bitsPerSecond: 640_000 });
  expect(other.rotation).toMatchObject({ source: 'given', interval: null });
  expect(other.rotation!.seconds).toBeCloseTo(93.9, 9);
  expect(other.fitPerRotation).toBe(4);
});
