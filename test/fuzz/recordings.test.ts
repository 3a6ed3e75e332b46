// The main job on 2,000 mutated recordings: no crash, no hang, and never a file called whole, or unproven and complete, that is not
// the file that was sent. What a mutation leaves readable is recovered; what it destroys is told in one message.
import fs from 'node:fs';
import os from 'node:os';
import path from 'node:path';
import { gzipSync } from 'node:zlib';
import { afterAll, beforeAll, expect, test } from 'vitest';
import { ZipFile } from 'yazl';
import { RecordingError, recover } from '../../src/index.js';
import { parseMission } from '../../src/mission/mission-file.js';
import { rehearse } from '../../src/rehearsal/rehearse.js';
import { faultlessStation } from '../../src/rehearsal/stations.js';
import { mutate, randomFor } from '../support/mutate.js';

const MUTATIONS = 2000;
const work = fs.mkdtempSync(path.join(os.tmpdir(), 'passweave-test-'));
const missionText = fs
  .readFileSync(new URL('../../samples/dotterel/mission.yaml', import.meta.url), 'utf8')
  .replace('frame: 3216', 'frame: 654');
const missionFile = path.join(work, 'mission.yaml');
const sent = new Map<string, Buffer>();
const bases: { name: string; bytes: Buffer }[] = [];

beforeAll(async () => {
  const random = randomFor(7, 'files');
  const files = ['owl.txt', 'dusk.bin', 'veil.dat'].map((name, i) => {
    const content = Buffer.from(Array.from({ length: 3000 + 2500 * i }, () => Math.floor(random() * 256)));
    sent.set(name, content);
    fs.writeFileSync(path.join(work, name), content);
    return { file: i + 1, path: path.join(work, name) };
  });
  fs.writeFileSync(missionFile, missionText);
  const mission = parseMission(missionText, missionFile);
  const frames = 1 + files.reduce((sum, { path: file }) => sum + Math.ceil(fs.statSync(file).size / 984), 0);
  const seconds = ((2 * frames + 1) * 1004 * 8) / mission.downlink.bitsPerSecond!;
  const stations = [faultlessStation('heron', 0, seconds)];
  await rehearse({ mission, files, outDir: path.join(work, 'rehearsal'), seconds, beam: null, stations });
  const folder = path.join(work, 'rehearsal/recordings/heron');
  const raw = fs.readFileSync(path.join(folder, fs.readdirSync(folder)[0]!));
  bases.push({ name: 'heron.bin', bytes: raw }, { name: 'heron.bin.gz', bytes: gzipSync(raw) });
  for (const compress of [true, false]) {
    const zip = new ZipFile();
    zip.addBuffer(raw.subarray(0, 9000), 'part-1.bin', { compress });
    zip.addBuffer(raw.subarray(9000), 'part-2.bin', { compress });
    zip.end();
    const parts: Buffer[] = [];
    for await (const part of zip.outputStream) parts.push(part as Buffer);
    bases.push({ name: `heron-${compress}.zip`, bytes: Buffer.concat(parts) });
  }
});
afterAll(() => fs.rmSync(work, { recursive: true, force: true }));

async function recoverBytes(name: string, bytes: Buffer): Promise<{ complete: number; told: number }> {
  const input = path.join(work, name);
  const out = path.join(work, 'out');
  fs.writeFileSync(input, bytes);
  fs.rmSync(out, { recursive: true, force: true });
  const { report, problems } = await recover({ recordings: [input], mission: missionFile, out });
  let complete = 0;
  for (const file of report.coverage.files) {
    const content = sent.get(file.name);
    if (!content || file.path === null) continue;
    const written = fs.readFileSync(path.join(out, file.path));
    if (file.state === 'whole') {
      expect(written.equals(content), `${file.name} is called whole`).toBe(true);
      complete++;
    }
    if (file.state === 'partial') {
      const { missing } = JSON.parse(fs.readFileSync(path.join(out, `${file.path}.gaps.json`), 'utf8')) as {
        missing: [number, number][];
      };
      const holed = Buffer.from(content);
      for (const [start, end] of missing) holed.fill(0, start, end);
      expect(written.equals(holed.subarray(0, written.length)), `${file.name} outside its gaps`).toBe(true);
    }
  }
  return { complete, told: problems.length };
}

test('the recordings are whole before they are mutated', async () => {
  for (const { name, bytes } of bases) expect(await recoverBytes(name, bytes)).toEqual({ complete: 3, told: 0 });
});

test(`${MUTATIONS} mutated recordings give true files, or none`, async () => {
  let complete = 0;
  let told = 0;
  for (let seed = 0; seed < MUTATIONS; seed++) {
    const { name, bytes } = bases[seed % bases.length]!;
    try {
      const result = await recoverBytes(name, mutate(bytes, randomFor(seed, 'recording')));
      complete += result.complete;
      told += result.told;
    } catch (error) {
      // The only thing that may be thrown is that nothing at all could be opened.
      if ((error as Error).name !== 'UsageError') throw new Error(`seed ${seed}: ${(error as Error).stack}`);
      told++;
    }
  }
  // The test would prove nothing if mutations spared everything, or left nothing to recover.
  expect(complete).toBeGreaterThan(MUTATIONS / 4);
  expect(complete).toBeLessThan(3 * MUTATIONS);
  expect(told).toBeGreaterThan(MUTATIONS / 20);
}, 300_000);

test('what fails while reading is a RecordingError with a code and a place', async () => {
  const { bytes } = bases[1]!;
  const input = path.join(work, 'cut.bin.gz');
  fs.writeFileSync(input, bytes.subarray(0, bytes.length / 2));
  const { problems } = await recover({ recordings: [input], mission: missionFile, out: path.join(work, 'out-cut') });
  expect(problems[0]).toBeInstanceOf(RecordingError);
  expect(problems[0]).toMatchObject({ code: 'gzip-damaged', offset: expect.any(Number) as number });
});
