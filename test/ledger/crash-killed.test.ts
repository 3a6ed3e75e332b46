// The built program, killed for real (SIGKILL) at seeded moments of its run and started again: it must end like a run that nobody
// disturbed. Moments are spread over the time from the ledger's first folder to the end, as one undisturbed run measures it.
import { type ChildProcess, spawn } from 'node:child_process';
import { once } from 'node:events';
import fs from 'node:fs';
import os from 'node:os';
import path from 'node:path';
import { setTimeout as sleep } from 'node:timers/promises';
import { fileURLToPath } from 'node:url';
import { afterAll, beforeAll, expect, test } from 'vitest';
import type { Coverage } from '../../src/coverage/coverage.js';
import { seededRandom } from '../../src/rehearsal/random.js';
import { contents } from './material.js';

const root = fileURLToPath(new URL('../..', import.meta.url));
const campaign = path.join(root, 'samples', 'dotterel');
const KILLS = 18;

let scratch: string;
beforeAll(() => {
  scratch = fs.mkdtempSync(path.join(os.tmpdir(), 'ledger-killed-'));
});
afterAll(() => fs.rmSync(scratch, { recursive: true, force: true }));

function start(out: string): ChildProcess {
  const recordings = path.join(campaign, 'recordings');
  const args = ['recover', recordings, '--mission', path.join(campaign, 'mission.yaml'), '--out', out];
  return spawn(process.execPath, [path.join(root, 'bin', 'passweave.js'), ...args], {
    stdio: 'ignore',
    // What a killed run leaves in the temporary folder goes with the rest.
    env: { ...process.env, TMPDIR: scratch },
  });
}

async function finish(out: string): Promise<void> {
  const [code] = await once(start(out), 'exit');
  expect(code).toBe(0);
}

/** Coverage and every recovered file; without the note that an unfinished record was cut off, which is true of these runs alone. */
function result(out: string): unknown {
  const coverage = JSON.parse(fs.readFileSync(path.join(out, 'coverage.json'), 'utf8')) as Coverage;
  coverage.notes = coverage.notes.filter((note) => !note.includes('unfinished or damaged record'));
  return [coverage, ...['files', 'partial', 'salvage'].map((folder) => contents(path.join(out, folder)))];
}

/** Starts a run and kills it `after` so many milliseconds from when its ledger is there; false where it had ended before. */
async function kill(out: string, after: number): Promise<boolean> {
  const child = start(out);
  const exit = once(child, 'exit');
  await Promise.race([ledgerOf(out), exit]);
  await sleep(after);
  child.kill('SIGKILL');
  const [, signal] = await exit;
  return signal === 'SIGKILL';
}

/** Waits until the ledger's folder is there. */
async function ledgerOf(out: string): Promise<void> {
  while (!fs.existsSync(path.join(out, 'ledger'))) await sleep(1);
}

test(`killed at ${KILLS} moments and started again, it ends like a run that was never killed`, {
  timeout: 400_000,
}, async () => {
  const whole = path.join(scratch, 'whole');
  const child = start(whole);
  const exit = once(child, 'exit');
  await ledgerOf(whole);
  const began = performance.now();
  await exit;
  const duration = performance.now() - began;
  const expected = result(whole);

  const random = seededRandom(25, 'moments');
  const hits = { before: 0, reading: 0, writing: 0 };
  let late = 0;
  for (let i = 0; i < KILLS; i++) {
    const out = path.join(scratch, `killed-${i}`);
    let after = ((i + random.float()) / KILLS) * duration;
    // One that was faster than the first is killed sooner.
    for (let killed = await kill(out, after); !killed; killed = await kill(out, after)) {
      late++;
      after /= 2;
      fs.rmSync(out, { recursive: true });
    }
    const receptions = path.join(out, 'ledger', 'recordings');
    if (!fs.existsSync(path.join(out, 'ledger', 'segments.journal'))) hits.before++;
    else if (fs.readdirSync(receptions).filter((name) => name.endsWith('.json')).length < 5) hits.reading++;
    else hits.writing++;
    // Every third is killed a second time.
    if (i % 3 === 0) await kill(out, random.float() * duration);
    await finish(out);
    expect(result(out), `killed at moment ${i}`).toEqual(expected);
    fs.rmSync(out, { recursive: true });
  }
  console.log(
    `killed before the ledger ${hits.before}, reading ${hits.reading}, writing ${hits.writing}, too late ${late}`,
  );
  expect(hits.reading + hits.writing).toBeGreaterThan(KILLS / 3);
});
