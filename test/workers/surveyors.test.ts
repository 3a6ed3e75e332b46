// Several threads, as they are built. Surveying ones: what they find beforehand is what the main thread would find, and it is of use.
import fs from 'node:fs';
import path from 'node:path';
import { setTimeout as sleep } from 'node:timers/promises';
import { expect, test } from 'vitest';
import { encodeChain } from '../../src/layers/chain.js';
import { encodeFrame } from '../../src/layers/frame.js';
import { parseMission } from '../../src/mission/mission-file.js';
import type { Received } from '../../src/segments/receive.js';
import type { SegmentStore } from '../../src/segments/run.js';
import { noise, seeded } from '../layers/seeded.js';
import { missionText, scratchFolder } from '../ledger/material.js';

const built = <Module>(file: string): Promise<Module> =>
  import(new URL(`../../dist/${file}.js`, import.meta.url).href) as Promise<Module>;
const { Surveyors } = await built<typeof import('../../src/workers/surveyors.js')>('workers/surveyors');
const { FrameScan } = await built<typeof import('../../src/layers/frame-scan.js')>('layers/frame-scan');
const { takeBlock, memory } = await built<typeof import('../../src/bytes/fast-memory.js')>('bytes/fast-memory');
const { receiveAll } = await built<typeof import('../../src/workers/receive-all.js')>('workers/receive-all');
const { openRecordings } = await built<typeof import('../../src/intake/open-recordings.js')>('intake/open-recordings');

const mission = parseMission(missionText({ payload: 400 }).text, 'mission.yaml', { layerNames: ['dvb-s2', 'stream'] });

/** Frames of two files in baseband frames, some of which are damaged or cut short. */
function makeRecording(frames: number, seed: number): Buffer {
  const random = seeded(seed);
  const units: Uint8Array[] = [];
  const chain = encodeChain(mission.layers, (unit) => units.push(Uint8Array.from(unit)));
  for (let n = 0; n < frames; n++) {
    const values = { counter: n, file: 1 + (Math.floor(n / 700) % 2), segment: n % 700, segments: 700, length: 400 };
    chain.push(encodeFrame(mission.frame!, values, noise(400, n % 97)));
  }
  chain.flush();
  for (const [i, unit] of units.entries()) {
    if (random() < 0.03) unit[Math.floor(random() * unit.length)]! ^= 4;
    if (random() < 0.01) units[i] = unit.subarray(0, Math.floor(random() * unit.length));
  }
  return Buffer.concat(units);
}

test('a block that was looked at is not looked at again', async () => {
  const surveyors = Surveyors.start(mission, 1)!;
  const scan = FrameScan.of(mission.frame!)!;
  const recording = makeRecording(100, 1);
  const block = takeBlock(1 << 16).subarray(0, recording.length);
  block.set(recording);
  const first = block.indexOf(Buffer.from(mission.frame!.marker));
  const firstRun = (): number[] => {
    const run = {} as Parameters<typeof scan.read>[1];
    expect(scan.scan(block, first, block.length)).toBeGreaterThan(0);
    scan.read(0, run);
    return [run.count, run.counter, run.file, run.key, run.segments, run.lastLength, run.hashes[run.hashAt]!];
  };
  const expected = firstRun();
  let hits = 0;
  for (let attempt = 0; attempt < 50 && hits === 0; attempt++) {
    const number = surveyors.begin(block);
    await sleep(20);
    surveyors.take(number, () => {
      expect(firstRun()).toEqual(expected);
      hits = scan.endSurvey();
    });
  }
  expect(hits).toBe(1);
  await surveyors.close();
});

test('one recording comes out the same with threads that look ahead', async () => {
  const file = path.join(scratchFolder(), 'saltmarsh.bin');
  fs.writeFileSync(file, makeRecording(30_000, 2));
  const results: unknown[] = [];
  for (const workers of [1, 2, 4]) {
    const kept: number[][] = [];
    const store: SegmentStore = {
      store: (...[number, segments, key, bytes, start, length]) => {
        kept.push([
          number,
          segments,
          key,
          length,
          Buffer.from(bytes.buffer, bytes.byteOffset + start, length).readUInt32BE(),
        ]);
        return 0;
      },
    };
    let received: Received | undefined;
    const { recordings } = await openRecordings([file]);
    await receiveAll(recordings, mission, store, (_recording, own) => (received = own), { workers });
    const { recorder, xxh64, bytes, layers } = received!;
    const { runs, damagedFrames, intactFrames, damagedTotal } = recorder;
    results.push({ kept, xxh64, bytes, layers, runs, damagedFrames, intactFrames, damagedTotal });
  }
  expect(results[1]).toEqual(results[0]);
  expect(results[2]).toEqual(results[0]);
});

test('when one recording fails, the others are given up: nothing is kept any more', async () => {
  const folder = scratchFolder();
  const files = ['saltmarsh', 'highfell'].map((name) => path.join(folder, `${name}.bin`));
  const small = makeRecording(100, 3);
  fs.writeFileSync(files[0]!, small);
  fs.writeFileSync(files[1]!, Buffer.concat(Array.from({ length: 4 }, () => makeRecording(30_000, 4))));
  let kept = 0;
  let threads = 0;
  const clock = new Int32Array(new SharedArrayBuffer(4));
  const store: SegmentStore = {
    store: (_file, _segments, _key, bytes) => {
      // The first recording is decoded by a thread, in a memory of its own.
      if (bytes.buffer !== memory.buffer) {
        threads++;
        throw new Error('the disk is full');
      }
      // So slow that the other is through long before.
      if (kept++ % 4000 === 0) Atomics.wait(clock, 0, 0, 50);
      return 0;
    },
  };
  const { recordings } = await openRecordings(files);
  const received = receiveAll(recordings, mission, store, () => undefined, { workers: 2 });
  await expect(received).rejects.toThrow('the disk is full');
  expect(threads).toBe(1);
  const before = kept;
  await sleep(300);
  expect(kept).toBe(before);
  expect(kept).toBeLessThan(110_000);
});
