// Recordings for the benchmark: one sequence of mission frames heard by two stations, each losing its own share of the baseband frames.
import fs from 'node:fs';
import path from 'node:path';
import { encodeChain } from '../../src/layers/chain.js';
import { encodeFrame } from '../../src/layers/frame.js';
import type { Mission } from '../../src/mission/mission.js';

const SEGMENTS_PER_FILE = 20_000;
const BASEBAND_BYTES = 4026;
const LOSS = 0.02;
const DAMAGE = 0.005;

/**
 * Writes `station0.bin` and `station1.bin` of `bytes` each into `folder`: 2 % of the baseband frames lost, 0.5 % with one byte
 * flipped, seeded.
 */
export function makeData(mission: Mission, folder: string, bytes: number): string[] {
  fs.mkdirSync(folder, { recursive: true });
  const files = [0, 1].map((station) => path.join(folder, `station${station}.bin`));
  const outputs = files.map((file) => ({
    fd: fs.openSync(file, 'w'),
    left: bytes,
    block: Buffer.alloc(1 << 22),
    used: 0,
  }));
  const random = xorshift(0x9e3779b9);
  const encoder = encodeChain(
    [
      { name: 'dvb-s2', options: { frame: BASEBAND_BYTES } },
      { name: 'stream', options: {} },
    ],
    (frame) => {
      for (const output of outputs) {
        if (random() < LOSS || output.left < frame.length) continue;
        if (output.used + frame.length > output.block.length) flush(output);
        output.block.set(frame, output.used);
        if (random() < DAMAGE) output.block[output.used + 10 + Math.floor(random() * (frame.length - 10))]! ^= 0x55;
        output.used += frame.length;
        output.left -= frame.length;
      }
    },
  );
  const payload = Buffer.alloc(mission.frame!.payload.size);
  for (let counter = 0; outputs.some(({ left }) => left >= BASEBAND_BYTES); counter++) {
    for (let at = 0; at + 4 <= payload.length; at += 4) payload.writeUInt32LE((random() * 2 ** 32) >>> 0, at);
    const values = {
      counter,
      file: 1 + Math.floor(counter / SEGMENTS_PER_FILE),
      segment: counter % SEGMENTS_PER_FILE,
      segments: SEGMENTS_PER_FILE,
      length: payload.length,
    };
    encoder.push(encodeFrame(mission.frame!, values, payload));
  }
  for (const output of outputs) {
    flush(output);
    fs.closeSync(output.fd);
  }
  return files;
}

function flush(output: { fd: number; block: Buffer; used: number }): void {
  fs.writeSync(output.fd, output.block, 0, output.used);
  output.used = 0;
}

/** Marsaglia's xorshift, 32 bits (Marsaglia 2003): fast and good enough for filler. */
function xorshift(seed: number): () => number {
  let state = seed | 0;
  return () => {
    state ^= state << 13;
    state ^= state >>> 17;
    state ^= state << 5;
    return (state >>> 0) / 2 ** 32;
  };
}
