// How a watch ends while much is still to be drawn: at once with all that counts, and at once for good when it is told again.
import fs from 'node:fs';
import path from 'node:path';
import { beforeAll, expect, test } from 'vitest';
import { reportAgain } from '../../src/recover.js';
import { holedPictures } from './holed-pictures.js';
import { missionFile, readCoverage, scratchFolder, WatchProgram } from './player.js';

const PICTURES = 12;
let recording: Buffer;
beforeAll(async () => {
  recording = await holedPictures(PICTURES);
});

function startWatch(): { out: string; program: WatchProgram } {
  const scratch = scratchFolder();
  const [folder, out] = [path.join(scratch, 'pass'), path.join(scratch, 'out')];
  fs.mkdirSync(folder);
  fs.writeFileSync(path.join(folder, 'saltmarsh-20270314T021530Z.bin'), recording);
  return { out, program: new WatchProgram(folder, '--mission', missionFile, '--out', out) };
}

const drawn = (out: string): number => readCoverage(out).files.filter(({ salvage }) => salvage !== null).length;

test('told to end, it writes all that is there within seconds and leaves what takes long to the report', {
  timeout: 120_000,
}, async () => {
  const { out, program } = startWatch();
  await program.address();
  const began = performance.now();
  expect(await program.end()).toBe(0);
  const took = performance.now() - began;
  const { files, notes } = readCoverage(out);
  // All of it was taken in, whatever had been drawn.
  expect(files.map(({ state }) => state)).toEqual(Array.from({ length: PICTURES }, () => 'partial'));
  for (const { path: partial, bytes } of files) {
    const gaps = JSON.parse(fs.readFileSync(path.join(out, `${partial}.gaps.json`), 'utf8')) as { missing: unknown[] };
    expect(gaps.missing.length).toBeGreaterThan(0);
    expect(fs.statSync(path.join(out, partial!)).size).toBeLessThanOrEqual(bytes ?? Number.POSITIVE_INFINITY);
  }
  const before = drawn(out);
  expect(before).toBeLessThan(PICTURES);
  expect(notes[0]).toMatch(/not drawn as far as received: `passweave report` draws the rest/);
  expect(program.stderr).toMatch(/passweave report \S+ draws the rest/);
  // Three seconds for drawing; the rest is taking in and writing, on a machine that may have much other work.
  expect(took).toBeLessThan(30_000);
  await reportAgain(out);
  expect(drawn(out)).toBe(PICTURES);
  expect(readCoverage(out).notes.join()).not.toContain('not drawn');
  expect(fs.readdirSync(out)).not.toContain('drawing.part');
});

test('told twice, it ends at once, and the ledger is as after a crash', { timeout: 60_000 }, async () => {
  const { out, program } = startWatch();
  await program.address();
  program.child.kill('SIGINT');
  await program.says(/Ending/);
  const began = performance.now();
  expect(await program.end()).toBe(130);
  expect(performance.now() - began).toBeLessThan(2000);
  const { report } = await reportAgain(out);
  expect(report.coverage.mission).toBe('Dotterel');
  expect(fs.readdirSync(out)).not.toContain('drawing.part');
});
