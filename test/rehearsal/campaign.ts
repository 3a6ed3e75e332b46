// A small mission and a folder of random files for the rehearsal's tests.
import { mkdirSync, mkdtempSync, rmSync, writeFileSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { onTestFinished } from 'vitest';
import type { FrameField, Mission } from '../../src/mission/mission.js';
import { seededRandom } from '../../src/rehearsal/random.js';
import type { StationPlan } from '../../src/rehearsal/stations.js';

const field = (at: number, bits: number): FrameField => ({ at, bit: 0, bits, endian: 'big' });

/** Frames of 220 bytes with 200 of payload at 400 kbit/s: some 227 frames a second; one rotation lasts 4 s. */
export function smallMission(basebandBytes = 1194, counterBits = 32): Mission {
  return {
    name: 'Small',
    downlink: { bitsPerSecond: 400_000, rotationSeconds: 4 },
    layers: [
      { name: 'dvb-s2', options: { frame: basebandBytes } },
      { name: 'stream', options: {} },
    ],
    frame: {
      marker: Uint8Array.of(0x1a, 0xcf, 0xfc, 0x1d),
      length: 220,
      fields: {
        counter: field(4, counterBits),
        file: field(8, 16),
        segment: field(10, 24),
        segments: field(13, 24),
        length: field(16, 16),
      },
      payload: { at: 18, size: 200 },
      crc: {
        parameters: {
          name: 'CRC-16/IBM-3740',
          width: 16,
          poly: 0x1021,
          init: 0xffff,
          reflected: false,
          xorout: 0,
        },
        at: 218,
        covers: [0, 218],
        endian: 'big',
      },
    },
    files: { descriptor: { file: 0, format: 'csv' }, catalogue: [] },
  };
}

/** A folder that goes when the test ends. */
export function scratchFolder(): string {
  const folder = mkdtempSync(join(tmpdir(), 'rehearsal-'));
  onTestFinished(() => rmSync(folder, { recursive: true, force: true }));
  return folder;
}

/** Writes files of random bytes named a.bin, b.bin, … below `folder`, and returns where. */
export function writeFiles(folder: string, sizes: readonly number[] = [20_000, 20_100, 19_999, 20_000]): string {
  const files = join(folder, 'files');
  mkdirSync(files);
  for (const [index, size] of sizes.entries()) {
    const name = `${String.fromCharCode(97 + index)}.bin`;
    writeFileSync(join(files, name), seededRandom(index, 'file').fill(new Uint8Array(size)));
  }
  return files;
}

/** Two stations with all that can go wrong, often. */
export const ROUGH_STATIONS: readonly StationPlan[] = [
  {
    name: 'reedbank',
    link: {
      pass: { start: 0.3, end: 9, edgeLossDb: 2 },
      marginDb: 3,
      phase: 0.1,
      bursts: { enter: 0.03, leave: 0.4 },
      damage: 0.05,
    },
    recorder: {
      packaging: 'zip',
      chunkBytes: 30_000,
      clockErrorSeconds: 30,
      cutsFrames: true,
      holes: 0.12,
      garbage: 0.6,
    },
  },
  {
    name: 'stonecrop',
    link: {
      pass: { start: 2, end: 12, edgeLossDb: 1 },
      marginDb: 2,
      phase: 0.15,
      bursts: { enter: 0.01, leave: 0.2 },
      damage: 0.08,
    },
    recorder: {
      packaging: 'gzip',
      sessions: [
        { start: 2, end: 5 },
        { start: 5.5, end: 12 },
      ],
      clockErrorSeconds: -70,
      cutsFrames: true,
      holes: 0.12,
      garbage: 0.5,
    },
  },
];
