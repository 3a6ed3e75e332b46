// Recordings that grow, come in pieces, come late or are replaced: the watch must end with just what `recover` makes of the finished
// folder.
import fs from 'node:fs';
import path from 'node:path';
import { setTimeout as sleep } from 'node:timers/promises';
import { expect, test } from 'vitest';
import { type Outcome, recover } from '../../src/recover.js';
import { seededRandom } from '../../src/rehearsal/random.js';
import type { WatchState } from '../../src/watch/live-views.js';
import { type WatchOptions, watch } from '../../src/watch/watch.js';
import { missionFile, Player, readCoverage, resultOf, sample, sampleParts, scratchFolder } from './player.js';

type Watch = { readonly out: string; readonly states: WatchState[]; end(): Promise<Outcome> };

function startWatch(options: Pick<WatchOptions, 'inputs'> & Partial<WatchOptions>): Watch {
  const ending = new AbortController();
  const states: WatchState[] = [];
  const out = options.out ?? path.join(scratchFolder(), 'out');
  const done = watch({
    mission: missionFile,
    out,
    signal: ending.signal,
    endSeconds: 60,
    onState: (state) => states.push(state),
    ...options,
  });
  done.catch(() => undefined);
  return {
    out,
    states,
    end: () => {
      ending.abort();
      return done;
    },
  };
}

async function recovered(input: string): Promise<unknown> {
  const out = path.join(scratchFolder(), 'recovered');
  await recover({ recordings: [input], mission: missionFile, out });
  return resultOf(out);
}

async function until(isSo: () => boolean, seconds = 40): Promise<void> {
  for (let tries = 0; tries < seconds * 20 && !isSo(); tries++) await sleep(50);
  expect(isSo()).toBe(true);
}

test('files that grow in random pieces, in chunks, side by side, end as if they had been handed in complete', async () => {
  const folder = path.join(scratchFolder(), 'pass');
  fs.mkdirSync(folder);
  const player = new Player(folder, await sampleParts());
  const running = startWatch({ inputs: [folder] });
  const random = seededRandom(7, 'pieces');
  while (player.left > 0) {
    player.write(random.below(player.stations), 1 + random.below(120_000));
    await sleep(20);
  }
  const { problems } = await running.end();
  expect(problems).toEqual([]);
  expect(resultOf(running.out)).toEqual(await recovered(folder));
  const received = running.states.map(({ report }) => report?.coverage.totals.segments.received ?? 0);
  expect(received).toEqual([...received].sort((a, b) => a - b));
  expect(new Set(received).size).toBeGreaterThan(3);
});

test('archives and gzip files that appear piece by piece are taken once they are complete', async () => {
  const folder = path.join(scratchFolder(), 'pass');
  const { out, end, states } = startWatch({ inputs: [makeFolder(folder)] });
  for (const [station, file] of [
    ['.', 'highfell.zip'],
    ['pinebarren', 'pinebarren-20270314T021617Z.bin.gz'],
  ] as const) {
    const bytes = fs.readFileSync(path.join(sample, 'recordings', station, file));
    fs.mkdirSync(path.join(folder, station), { recursive: true });
    for (let at = 0; at < bytes.length; at += 300_000) {
      fs.appendFileSync(path.join(folder, station, file), bytes.subarray(at, at + 300_000));
      await sleep(150);
    }
  }
  await until(() => states.at(-1)?.report?.coverage.recordings.length === 2 && states.at(-1)?.waiting === 0);
  expect((await end()).problems).toEqual([]);
  expect(resultOf(out)).toEqual(await recovered(folder));
});

test('a recording that was written down as finished and grows again is one recording in the end', async () => {
  const folder = path.join(scratchFolder(), 'pass');
  makeFolder(folder);
  const [first, second] = (await sampleParts()).filter(({ station }) => station === 'saltmarsh');
  const { out, end, states } = startWatch({ inputs: [folder], quietSeconds: 1 });
  fs.writeFileSync(path.join(folder, first!.name), first!.bytes);
  await until(() => states.at(-1)?.growing === 0 && states.at(-1)?.recordings === 1);
  expect(fs.readdirSync(path.join(out, 'ledger', 'recordings'))).toHaveLength(1);
  fs.writeFileSync(path.join(folder, second!.name), second!.bytes);
  await until(() => states.at(-1)?.growing === 1);
  await until(() => states.at(-1)?.growing === 0);
  expect(fs.readdirSync(path.join(out, 'ledger', 'recordings'))).toHaveLength(1);
  await end();
  expect(resultOf(out)).toEqual(await recovered(folder));
});

test('a chunk that comes late, and a file that is written anew, lead to the same as if they had come in order', async () => {
  const folder = path.join(scratchFolder(), 'pass');
  makeFolder(folder);
  const parts = (await sampleParts()).filter(({ station }) => station === 'saltmarsh');
  const [first, second, third] = parts;
  const { out, end, states } = startWatch({ inputs: [folder] });
  const file = (part: typeof first): string => path.join(folder, part!.name);
  fs.writeFileSync(file(first), second!.bytes);
  fs.writeFileSync(file(third), third!.bytes);
  await until(() => (states.at(-1)?.report?.coverage.totals.segments.received ?? 0) > 0);
  fs.writeFileSync(file(second), second!.bytes);
  await sleep(1200);
  fs.rmSync(file(first));
  fs.writeFileSync(file(first), first!.bytes);
  await sleep(1200);
  await end();
  expect(readCoverage(out).recordings).toHaveLength(1);
  expect(resultOf(out)).toEqual(await recovered(folder));
});

test('a file that holds nothing of the mission is told at the end, and the others are in', async () => {
  const folder = path.join(scratchFolder(), 'pass');
  makeFolder(folder);
  const [part] = (await sampleParts()).filter(({ station }) => station === 'lowquay');
  fs.writeFileSync(path.join(folder, part!.name), part!.bytes);
  fs.writeFileSync(path.join(folder, 'other.bin'), Buffer.alloc(5000, 0xa5));
  const { end } = startWatch({ inputs: [folder] });
  await sleep(1500);
  const { problems, report } = await end();
  expect(problems.map(({ code }) => code)).toEqual(['no-frames']);
  expect(report.coverage.recordings).toHaveLength(1);
});

test('what cannot be watched is refused before anything starts', async () => {
  const folder = scratchFolder();
  const { signal } = new AbortController();
  const start = (inputs: string[], out = path.join(scratchFolder(), 'out')): Promise<Outcome> =>
    watch({ inputs, mission: missionFile, out, signal });
  await expect(start([path.join(folder, 'missing')])).rejects.toThrow(/no such file or folder/);
  await expect(start([folder], path.join(folder, 'out'))).rejects.toThrow(/output folder lies in it/);
  await expect(start(['udp://nowhere'])).rejects.toThrow(/expected udp:\/\/HOST:PORT/);
  await expect(start([])).rejects.toThrow(/name a folder/);
});

function makeFolder(folder: string): string {
  fs.mkdirSync(folder, { recursive: true });
  return folder;
}
