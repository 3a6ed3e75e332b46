// Files are drawn on threads beside the one that counts (those of the built program: sources have none).
import fs from 'node:fs';
import os from 'node:os';
import path from 'node:path';
import { setTimeout as sleep } from 'node:timers/promises';
import { fileURLToPath } from 'node:url';
import sharp from 'sharp';
import { beforeAll, expect, onTestFinished, test } from 'vitest';
import {
  buildCoverage,
  type CampaignCoverage,
  countCampaign,
  recountFiles,
} from '../../src/coverage/build-coverage.js';
import { DrawingTurns } from '../../src/coverage/drawing-turns.js';
import type { FileOutput, FileOutputs } from '../../src/coverage/file-outputs.js';
import { OutputsCache } from '../../src/coverage/outputs-cache.js';
import { OutputFolder } from '../../src/files/output-folder.js';
import { Ledger } from '../../src/ledger/ledger.js';
import { findFfmpeg, type Tools } from '../../src/media/ffmpeg.js';
import { readMission } from '../../src/recover.js';
import { contents } from '../ledger/material.js';

const mission = readMission(fileURLToPath(new URL('../../samples/dotterel/mission.yaml', import.meta.url)));
const { size } = mission.mission.frame!.payload;
const PICTURES = 4;
const HOSTILE = 9;

let pictures: Buffer[];
let tools: Tools | null;
let Outputs: typeof FileOutputs;

beforeAll(async () => {
  const built = new URL('../../dist/coverage/file-outputs.js', import.meta.url);
  ({ FileOutputs: Outputs } = (await import(built.href)) as { FileOutputs: typeof FileOutputs });
  tools = await findFfmpeg();
  const noise = { type: 'gaussian' as const, mean: 110, sigma: 30 };
  pictures = await Promise.all(
    Array.from({ length: PICTURES }, (_, i) => {
      const create = { width: 400 + 80 * i, height: 320, channels: 3 as const, background: '#000', noise };
      return sharp({ create }).blur(1).jpeg({ quality: 90 }).toBuffer();
    }),
  );
});

/** A ledger with an output folder beside it. */
function campaign(): { ledger: Ledger; out: string } {
  const out = fs.mkdtempSync(path.join(os.tmpdir(), 'passweave-drawing-'));
  const ledger = Ledger.open(path.join(out, 'ledger'), { mission });
  onTestFinished(() => {
    ledger.abandon();
    fs.rmSync(out, { recursive: true, force: true });
  });
  return { ledger, out };
}

/** Takes in a file but for every `without`-th segment. */
function receive(ledger: Ledger, file: number, content: Buffer, without: number): void {
  const segments = Math.ceil(content.length / size);
  for (let segment = 0; segment < segments; segment++) {
    if (segment % without === without - 1) continue;
    const payload = content.subarray(segment * size, (segment + 1) * size);
    ledger.store(file, segments, segment, payload, 0, payload.length);
  }
}

function outputsOf({ ledger, out }: ReturnType<typeof campaign>, options: { threads?: number; heapMib?: number } = {}) {
  const folder = new OutputFolder(out);
  const outputs = new Outputs(ledger.folder, folder, { tools, ...options });
  onTestFinished(() => outputs.close());
  return { folder, outputs };
}

/** The start of a bare H.264 stream and hundreds of thousands of tiny units: each costs many times its size to list. */
function hostileClip(): Buffer {
  const unit = Buffer.from('00000165880000', 'hex');
  return Buffer.concat([Buffer.from('0000000167420028', 'hex'), Buffer.alloc(unit.length * 1_000_000, unit)]);
}

test('whatever the number of threads, the same files come out', async () => {
  const results = [];
  for (const threads of [0, 1, 3]) {
    const own = campaign();
    pictures.forEach((picture, i) => void receive(own.ledger, i + 1, picture, i === 0 ? 1e9 : 12));
    const { folder, outputs } = outputsOf(own, { threads });
    const { coverage, thumbnails } = await buildCoverage(own.ledger, folder, tools, { outputs });
    expect(coverage.files.map(({ state, salvage }) => [state, salvage !== null])).toEqual([
      ['unproven', false],
      ...Array.from({ length: PICTURES - 1 }, () => ['partial', true]),
    ]);
    await outputs.close();
    fs.rmSync(path.join(own.out, 'ledger'), { recursive: true });
    results.push([coverage, [...thumbnails], contents(own.out)]);
  }
  expect(results[1]).toEqual(results[0]);
  expect(results[2]).toEqual(results[0]);
});

test('a file that takes more memory than a thread may costs its own picture alone, and is told', async () => {
  const own = campaign();
  receive(own.ledger, HOSTILE, hostileClip(), 1000);
  pictures.forEach((picture, i) => void receive(own.ledger, i + 1, picture, 12));
  const { folder, outputs } = outputsOf(own, { threads: 1, heapMib: 24 });
  const { coverage } = await buildCoverage(own.ledger, folder, tools, { outputs });
  const hostile = coverage.files.find(({ file }) => file === HOSTILE)!;
  expect(hostile.salvage).toBeNull();
  expect(fs.statSync(path.join(own.out, hostile.path!)).size).toBe(hostileClip().length);
  expect(coverage.notes.filter((note) => note.includes('could not be drawn'))).toEqual([
    `${hostile.name} could not be drawn, and lies untouched in ${hostile.path}: it needs more memory than it may take.`,
  ]);
  const others = coverage.files.filter(({ file }) => file !== HOSTILE);
  expect(others.map(({ salvage }) => salvage !== null)).toEqual(pictures.map(() => true));
});

test('beside other work counts are those of now, and the picture that of the last drawing, until the next one is there', async () => {
  const own = campaign();
  const [picture] = pictures;
  const { ledger } = own;
  receive(ledger, 1, picture!, 3);
  const { outputs } = outputsOf(own, { threads: 1 });
  let { campaign: last, counted } = await countCampaign(ledger, tools, outputs, { isBeside: true });
  const received = (): number => last.coverage.files[0]!.segments.received;
  // Written at once, and drawn beside.
  expect(fs.existsSync(path.join(own.out, 'partial', last.coverage.files[0]!.name))).toBe(true);
  expect(last.coverage.files[0]!.salvage).toBeNull();
  const recount = async (): Promise<Pick<CampaignCoverage, 'coverage'>> => {
    last = { ...last, ...(await recountFiles(last, counted, outputs)) };
    return last;
  };
  const patience = { timeout: 30_000 };
  await expect.poll(async () => (await recount()).coverage.files[0]!.salvage, patience).not.toBeNull();
  const first = { received: received(), picture: [...last.thumbnails.values()][0] };
  receive(ledger, 1, picture!, 12);
  await recount();
  expect(received()).toBeGreaterThan(first.received);
  expect([...last.thumbnails.values()][0]).toEqual(first.picture);
  await expect
    .poll(async () => {
      await recount();
      return [...last.thumbnails.values()][0]?.dataUri;
    }, patience)
    .not.toBe(first.picture!.dataUri);
  // Whole by now: what was partial goes.
  receive(ledger, 1, picture!, 1e9);
  ({ campaign: last, counted } = await countCampaign(ledger, tools, outputs, { isBeside: true }));
  const { name, state } = last.coverage.files[0]!;
  expect(state).toBe('unproven');
  expect(fs.readFileSync(path.join(own.out, 'files', name)).equals(picture!)).toBe(true);
  await expect.poll(async () => (await recount()).coverage.files[0]!.media, patience).not.toBeNull();
  expect(fs.readdirSync(path.join(own.out, 'partial'))).toEqual([]);
  expect(fs.readdirSync(path.join(own.out, 'salvage'))).toEqual([]);
});

test('what a killed watch had written and not remembered is cleared away by the next run', async () => {
  const own = campaign();
  const { ledger, out } = own;
  receive(ledger, 1, pictures[0]!, 12);
  const { outputs } = outputsOf(own, { threads: 1 });
  const made = await countCampaign(ledger, tools, outputs, { isBeside: true });
  await sleep(2000);
  await recountFiles(made.campaign, made.counted, outputs);
  expect(fs.readdirSync(path.join(out, 'salvage')).length).toBeGreaterThan(0);
  // Killed here: another run, in which the file is whole.
  receive(ledger, 1, pictures[0]!, 1e9);
  await buildCoverage(ledger, new OutputFolder(out), tools);
  expect(fs.readdirSync(path.join(out, 'salvage'))).toEqual([]);
  expect(fs.readdirSync(path.join(out, 'partial'))).toEqual([]);
  expect(fs.readdirSync(path.join(out, 'files'))).toHaveLength(1);
  expect(fs.readdirSync(out).sort()).toEqual(['files', 'ledger', 'partial', 'salvage']);
});

test('each file has its turn: what changed is not overtaken by what is new, and waits in proportion to what writing it takes', () => {
  let now = 0;
  const turns = new DrawingTurns(() => now);
  expect(turns.next(['a', 'b'])).toEqual(['a', 'b']);
  turns.took('a', 5);
  now = 100;
  expect(turns.next(['a', 'b'])).toEqual(['b']);
  turns.took('b', 500);
  now = 800;
  expect(turns.next(['c', 'b', 'a'])).toEqual(['a', 'c']);
  now = 4_099;
  expect(turns.next(['c', 'b'])).toEqual(['c']);
  now = 4_100;
  expect(turns.next(['c', 'b', 'd'])).toEqual(['b', 'c', 'd']);
});

test('what an earlier drawing left under other names goes, also where no count saw it', () => {
  const { ledger, out } = campaign();
  const folder = new OutputFolder(out);
  const cache = new OutputsCache(ledger.folder, folder);
  const made = (...written: string[]): FileOutput => {
    for (const relative of written) folder.writeText(relative, relative);
    return { written } as unknown as FileOutput;
  };
  cache.keep('1', 'before', made('salvage/sail.mp4', 'salvage/sail.frame-86.png'));
  const now = made('salvage/sail.mp4', 'salvage/sail.frame-87.png');
  cache.keep('1', 'now', now);
  cache.clear([now]);
  expect(fs.readdirSync(path.join(out, 'salvage')).sort()).toEqual(['sail.frame-87.png', 'sail.mp4']);
});
