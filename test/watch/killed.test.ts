// The built program, killed for real (SIGKILL) at seeded moments of a pass and started again: it must end with the same coverage, the
// same files and the same ledger as `recover` of the finished folder.
import fs from 'node:fs';
import path from 'node:path';
import { setTimeout as sleep } from 'node:timers/promises';
import { expect, test } from 'vitest';
import { recover, reportAgain } from '../../src/recover.js';
import { seededRandom } from '../../src/rehearsal/random.js';
import { missionFile, Player, resultOf, sample, sampleParts, scratchFolder, WatchProgram } from './player.js';

const KILLS = 6;
const SECONDS = 20;

test(`killed ${KILLS} times in a pass and started again, it ends like an undisturbed run`, {
  timeout: 180_000,
}, async () => {
  const scratch = scratchFolder();
  const folder = path.join(scratch, 'pass');
  const out = path.join(scratch, 'out');
  fs.mkdirSync(folder);
  const parts = (await sampleParts()).filter(({ station }) => station !== 'highfell');
  const playing = new Player(folder, parts).play(SECONDS);
  // An archive is handed in, in the middle.
  const archive = sleep(6000).then(() =>
    fs.copyFileSync(path.join(sample, 'recordings', 'highfell.zip'), path.join(folder, 'highfell.zip')),
  );
  const random = seededRandom(11, 'moments');
  const states: number[] = [];
  const start = (): WatchProgram => new WatchProgram(folder, '--mission', missionFile, '--out', out, '--quiet', '2');
  for (let i = 0; i < KILLS; i++) {
    const program = start();
    await program.address();
    await sleep(500 + random.below((2000 * SECONDS) / KILLS));
    await program.end('SIGKILL');
    states.push(fs.statSync(path.join(out, 'ledger', 'segments.journal')).size);
  }
  await playing;
  await archive;
  const last = start();
  await last.address();
  await sleep(4000);
  expect(await last.end('SIGTERM')).toBe(0);
  // What took too long to be drawn at the end.
  await reportAgain(out);
  const expected = path.join(scratch, 'expected');
  await recover({ recordings: [folder], mission: missionFile, out: expected });
  expect(resultOf(out)).toEqual(resultOf(expected));
  // The ledger had grown between the moments: they were within the pass.
  expect(new Set(states).size).toBeGreaterThan(2);
});

test.each([
  ['second', [0, 2], 1],
  ['first', [1, 2], 0],
] as const)(
  'killed before the %s of three files came, it ends with one recording, not two that overlap',
  async (_, there, late) => {
    const scratch = scratchFolder();
    const [folder, out] = [path.join(scratch, 'pass'), path.join(scratch, 'out')];
    const parts = (await sampleParts()).filter(({ station }) => station === 'saltmarsh');
    const write = (index: number): void => {
      const { station, name, bytes } = parts[index]!;
      fs.mkdirSync(path.join(folder, station), { recursive: true });
      fs.writeFileSync(path.join(folder, station, name), bytes);
    };
    for (const index of there) write(index);
    const args = [folder, '--mission', missionFile, '--out', out, '--quiet', '1'];
    const first = new WatchProgram(...args);
    await first.address();
    const recordings = path.join(out, 'ledger', 'recordings');
    await expect.poll(() => fs.readdirSync(recordings).length, { timeout: 30_000 }).toBe(1);
    await first.end('SIGKILL');
    write(late);
    const last = new WatchProgram(...args);
    await last.address();
    await sleep(1000);
    expect(await last.end()).toBe(0);
    expect(fs.readdirSync(recordings)).toHaveLength(1);
    await reportAgain(out);
    const expected = path.join(scratch, 'expected');
    await recover({ recordings: [folder], mission: missionFile, out: expected });
    expect(resultOf(out)).toEqual(resultOf(expected));
  },
);
