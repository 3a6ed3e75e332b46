// Recordings for the benchmark: one sequence of mission frames heard by two stations, each losing its own share of the baseband frames.
import { execFileSync } from 'node:child_process';
import fs from 'node:fs';
import path from 'node:path';
import { writePcapRecord } from '../../src/intake/pcap.js';
import { encodeChain } from '../../src/layers/chain.js';
import { encodeFrame } from '../../src/layers/frame.js';
import type { Mission } from '../../src/mission/mission.js';
import { datagrams, pcap } from '../intake/capture-material.js';

const SEGMENTS_PER_FILE = 20_000;
const BASEBAND_BYTES = 4026;
const LOSS = 0.02;
const DAMAGE = 0.005;

type Choice = {
  /** How often the same segments come: each file is sent so often in a row. Default 1. */
  readonly carousel?: number;
};

/**
 * Writes `station0.bin` and `station1.bin` of `bytes` each into `folder`: 2 % of the baseband frames lost, 0.5 % with one byte
 * flipped, seeded.
 */
export function makeData(mission: Mission, folder: string, bytes: number, { carousel = 1 }: Choice = {}): string[] {
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
  const frameOf = frameMaker(mission, carousel);
  for (let counter = 0; outputs.some(({ left }) => left >= BASEBAND_BYTES); counter++) encoder.push(frameOf(counter));
  for (const output of outputs) {
    flush(output);
    fs.closeSync(output.fd);
  }
  return files;
}

/** Makes the mission frame of each transmission: files one after the other, each sent `carousel` times. */
function frameMaker(mission: Mission, carousel: number): (counter: number) => Uint8Array {
  const payload = Buffer.alloc(mission.frame!.payload.size);
  return (counter) => {
    const file = Math.floor(counter / SEGMENTS_PER_FILE / carousel);
    const segment = counter % SEGMENTS_PER_FILE;
    const random = xorshift(1 + file * SEGMENTS_PER_FILE + segment);
    for (let at = 0; at + 4 <= payload.length; at += 4) payload.writeUInt32LE((random() * 2 ** 32) >>> 0, at);
    const values = { counter, file: 1 + file, segment, segments: SEGMENTS_PER_FILE, length: payload.length };
    return encodeFrame(mission.frame!, values, payload);
  };
}

/** Puts the first `bytes` of each recording into a zip, deflated. */
export function makeZip(recordings: readonly string[], folder: string, bytes: number): string[] {
  const names = recordings.map((file) => {
    const name = path.join(folder, path.basename(file));
    execFileSync('sh', ['-c', 'head -c "$1" "$2" > "$3"', 'sh', String(bytes), file, name]);
    return name;
  });
  const zip = path.join(folder, 'stations.zip');
  execFileSync('python3', ['-m', 'zipfile', '-c', zip, ...names]);
  for (const name of names) fs.rmSync(name);
  return [zip];
}

/** A capture of about `bytes`: each datagram one baseband frame, in it GSE with UDP datagrams that hold one mission frame each. */
export function makeCapture(mission: Mission, folder: string, bytes: number): string[] {
  const file = path.join(folder, 'station.pcap');
  const fd = fs.openSync(file, 'w');
  fs.writeSync(fd, pcap([]));
  const frameOf = frameMaker(mission, 1);
  let written = 0;
  let datagram = 0;
  const encoder = encodeChain(
    [
      { name: 'dvb-s2', options: { frame: BASEBAND_BYTES } },
      { name: 'gse', options: {} },
      { name: 'udp', options: { port: 5005 } },
    ],
    (frame) => {
      const packets = datagrams([frame], { mtu: 9000, id: (datagram % 65535) + 1 });
      datagram++;
      for (const { bytes: packet, time } of packets) {
        const record = writePcapRecord({ linkType: 1 }, packet, time + datagram / 10);
        fs.writeSync(fd, record);
        written += record.length;
      }
    },
  );
  for (let counter = 0; written < bytes; counter++) encoder.push(frameOf(counter));
  encoder.flush();
  fs.closeSync(fd);
  return [file];
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
