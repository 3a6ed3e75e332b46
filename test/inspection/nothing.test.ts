// Where nothing is proven, nothing is claimed: noise, fill, texts, pictures and programs as recordings.

import { readFileSync } from 'node:fs';
import { gzipSync } from 'node:zlib';
import { describe, expect, test } from 'vitest';
import { noise } from '../layers/seeded.js';
import { inspectOne } from './recordings.js';

const sample = (name: string): Buffer => readFileSync(new URL(`../../samples/dotterel/files/${name}`, import.meta.url));
const prose = readFileSync(new URL('../../README.md', import.meta.url));
const code = readFileSync(new URL('../../package-lock.json', import.meta.url));
const table = Buffer.from(
  Array.from({ length: 9000 }, (_, i) => `${1000 + i};frame ${i % 97};GAIN 47 dB;lock\n`).join(''),
);

describe.each<[string, () => Buffer]>([
  ['noise', () => noise(3 << 20, 1)],
  ['other noise', () => noise(3 << 20, 2)],
  ['more than one excerpt of noise', () => noise(9 << 20, 3)],
  ['zeros', () => Buffer.alloc(1 << 20)],
  ['sync bytes alone', () => Buffer.alloc(1 << 20, 0x47)],
  ['one line over and over', () => Buffer.alloc(1 << 20, 'recorder restarted, disk was full; ')],
  ['prose', () => prose],
  ['a listing', () => code],
  ['a table that counts', () => table],
  ['a JPEG picture', () => sample('limb-0101.jpg')],
  ['a PNG picture', () => sample('veil-0104.png')],
  ['a clip', () => sample('sail-0106.mp4')],
  ['raw sensor data', () => sample('sensor-0105.raw')],
  ['counting words', () => Buffer.from(Uint32Array.from({ length: 200_000 }, (_, i) => i).buffer)],
])('%s', (name, make) => {
  test('is told to be nothing that is known, and no stub is written', async () => {
    const { chain, layers, bytes } = await inspectOne(make(), 'stuff.bin');
    expect(chain.found).toEqual([]);
    expect(chain.stub).toBeUndefined();
    expect(layers).toEqual([]);
    expect(bytes).toBe(make().length);
    expect(chain.unknown.join('\n')).toMatch(/^the recording: no layer is proven/);
  });

  test('packed with gzip, is no more', async () => {
    const { container, chain } = await inspectOne(gzipSync(make(), { level: 1 }), `${name}.gz`);
    expect(container).toBe('gzip');
    expect(chain.found).toEqual([]);
  });
});
