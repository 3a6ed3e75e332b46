// How much work crafted input can cause: the CRC is wrapped so that every call and every byte it covers is counted.
import { beforeEach, expect, test, vi } from 'vitest';
import type { Crc } from '../../src/bytes/crc.js';
import { encodeFrame } from '../../src/layers/frame.js';
import { collect, layoutOf, makeFrames } from './frame-material.js';
import { noise } from './seeded.js';

const work = vi.hoisted(() => ({ calls: 0 }));
vi.mock('../../src/bytes/crc.js', async (original) => {
  const real = (await original()) as { makeCrc: (parameters: never) => Crc };
  return {
    ...real,
    makeCrc: (parameters: never): Crc => {
      const crc = real.makeCrc(parameters);
      return (bytes, start, end) => {
        work.calls++;
        return crc(bytes, start, end);
      };
    },
  };
});
beforeEach(() => {
  work.calls = 0;
});

const decode = (layout: ReturnType<typeof layoutOf>, bytes: Buffer): Record<string, number> => {
  const { decoder, result } = collect(layout);
  work.calls = 0;
  for (let at = 0; at < bytes.length; at += 4016) {
    decoder.push(bytes, at, Math.min(bytes.length, at + 4016), at, -1);
  }
  decoder.end();
  return { ...result().counts };
};

const layout = layoutOf({ payload: 984 });
const BYTES = 1_000_000;

test('an intact frame costs one CRC, a damaged one not many more', () => {
  const frames = makeFrames(layout, 100, 1);
  decode(layout, Buffer.concat(frames));
  expect(work.calls).toBe(100);
  for (const frame of frames) frame[500]! ^= 1;
  decode(layout, Buffer.concat(frames));
  expect(work.calls).toBe(100);
});

test('a stream of nothing but markers costs next to no CRC: the fields between them are impossible', () => {
  const counts = decode(layout, Buffer.alloc(BYTES, Buffer.from('1acffc1d', 'hex')));
  expect(counts['intact']).toBe(0);
  expect(work.calls).toBeLessThan(2 * Math.ceil(BYTES / layout.length));
});

test.each(['00', '0000', 'ffff', '00000000'])(
  'a stream of nothing but the marker %s, whose fields are possible, costs at most 66 CRCs a frame',
  (marker) => {
    const own = layoutOf({ marker, payload: 984 });
    decode(own, Buffer.alloc(BYTES, Buffer.from(marker, 'hex')));
    expect(work.calls).toBeLessThan(66 * Math.ceil(BYTES / own.length));
  },
);

test('crafted starts of frames with possible fields, 18 bytes apart, cost at most 66 CRCs a frame', () => {
  const start = encodeFrame(
    layout,
    { counter: 1, file: 1, segment: 0, segments: 1, length: 9 },
    new Uint8Array(9),
  ).subarray(0, 18);
  const counts = decode(layout, Buffer.alloc(BYTES, start));
  expect(counts['intact']).toBe(0);
  expect(work.calls).toBeGreaterThan(2 * Math.ceil(BYTES / layout.length));
  expect(work.calls).toBeLessThan(66 * Math.ceil(BYTES / layout.length));
});

test('noise costs no CRC at all', () => {
  decode(layout, noise(BYTES, 3));
  expect(work.calls).toBe(0);
});
