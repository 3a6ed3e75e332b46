// Judges: frames made here sample by sample, in each packing, from a picture whose developed pixels are known; the colours between
// samples by ffmpeg's bilinear conversion of Bayer frames (libswscale), black level and white balance by libvips (sharp's linear).
import { execFileSync } from 'node:child_process';
import { writeFileSync } from 'node:fs';
import sharp from 'sharp';
import { expect, test } from 'vitest';
import { developRaw, rawRowBytes } from '../../src/media/raw/develop-raw.js';
import type { SensorLayout } from '../../src/mission/mission.js';
import { tools } from './drawn.js';
import { freshPath } from './video-clips.js';

const base: SensorLayout = {
  width: 21,
  height: 13,
  bits: 12,
  packing: 'none',
  byteOrder: 'little',
  pattern: 'mono',
  rowOrder: 'top-down',
  blackLevel: 0,
  whiteBalance: [1, 1, 1],
  headerBytes: 0,
};
const sampleAt = (x: number, y: number, bits: number) => (x * 97 + y * 1013) & ((1 << bits) - 1);

/** The frame as a string of bits, which is how a packing is defined. */
function pack(layout: SensorLayout, sample: (x: number, y: number) => number): Buffer {
  const rowBytes = rawRowBytes(layout);
  const out = Buffer.alloc(layout.headerBytes + rowBytes * layout.height);
  for (let y = 0; y < layout.height; y++) {
    const row = layout.headerBytes + y * rowBytes;
    for (let x = 0; x < layout.width; x++) {
      const value = sample(x, y);
      if (layout.packing === 'none') {
        if (layout.bits <= 8) out[row + x] = value;
        else if (layout.byteOrder === 'big') out.writeUInt16BE(value, row + 2 * x);
        else out.writeUInt16LE(value, row + 2 * x);
        continue;
      }
      for (let b = 0; b < layout.bits; b++) {
        const at = x * layout.bits + b;
        const high = layout.packing === 'high-first';
        const bit = (value >> (high ? layout.bits - 1 - b : b)) & 1;
        out[row + (at >> 3)]! |= bit << (high ? 7 - (at & 7) : at & 7);
      }
    }
  }
  return out;
}

/** The sRGB curve (IEC 61966-2-1), as the reference of tones. */
const tone = (linear: number) =>
  Math.round(255 * (linear <= 0.0031308 ? 12.92 * linear : 1.055 * linear ** (1 / 2.4) - 0.055));

test.each([
  { bits: 8 },
  { bits: 10 },
  { bits: 16, byteOrder: 'big' as const },
  { bits: 12, packing: 'high-first' as const },
  { bits: 10, packing: 'low-first' as const },
  { bits: 14, packing: 'high-first' as const, headerBytes: 7 },
  { bits: 12, rowOrder: 'bottom-up' as const },
])('a frame of one colour develops to its samples: %o', (change) => {
  const layout = { ...base, ...change };
  const frame = pack(layout, (x, y) => sampleAt(x, y, layout.bits));
  const { pixels, samples } = developRaw(frame, [], layout);
  expect(samples).toBe(layout.width * layout.height);
  for (let y = 0; y < layout.height; y++) {
    for (let x = 0; x < layout.width; x++) {
      const shownY = layout.rowOrder === 'bottom-up' ? layout.height - 1 - y : y;
      const level = tone(sampleAt(x, y, layout.bits) / ((1 << layout.bits) - 1));
      const at = 4 * (shownY * layout.width + x);
      expect([...pixels.data.subarray(at, at + 4)]).toEqual([level, level, level, 255]);
    }
  }
});

test.each(['RGGB', 'BGGR', 'GRBG', 'GBRG'] as const)(
  'an even colour under the pattern %s comes back as that colour, holes or not',
  (pattern) => {
    const layout = { ...base, pattern, blackLevel: 64, whiteBalance: [2, 1, 1.5] as const };
    const colours = { R: 564, G: 1064, B: 764 };
    const frame = pack(layout, (x, y) => colours[pattern[2 * (y & 1) + (x & 1)] as 'R' | 'G' | 'B']);
    const expected = [(500 * 2) / 4031, 1000 / 4031, (700 * 1.5) / 4031].map(tone);
    const gaps: [number, number][] = [
      [100, 131],
      [400, 420],
    ];
    for (const [start, end] of gaps) frame.fill(0xff, start, end);
    const { pixels } = developRaw(frame, gaps, layout);
    let shown = 0;
    for (let i = 0; i < pixels.data.length; i += 4) {
      if (pixels.data[i + 3] === 0) continue;
      shown++;
      expect([...pixels.data.subarray(i, i + 3)]).toEqual(expected);
    }
    const lost = gaps.reduce((sum, [start, end]) => sum + Math.ceil((end - 1) / 2) - Math.floor(start / 2) + 1, 0);
    expect(shown).toBeGreaterThanOrEqual(layout.width * layout.height - 2 * lost);
    expect(shown).toBeLessThan(layout.width * layout.height - 20);
  },
);

const patterns = ['RGGB', 'BGGR', 'GRBG', 'GBRG'] as const;
const coloured: SensorLayout = { ...base, width: 64, height: 40, bits: 8 };
/** Smooth, with an edge, different in each colour. */
const scene = (x: number, y: number, colour: string) => {
  const slant = { R: 0, G: 1, B: 2 }[colour]!;
  const value = 60 + 50 * Math.sin(x / 5 + slant) + 40 * Math.cos(y / (4 + slant)) + (x + slant * 3 > 30 ? 70 : 0);
  return Math.max(0, Math.min(255, Math.round(value)));
};

test.runIf(tools).each(patterns)('under the pattern %s colours between samples are as ffmpeg makes them', (pattern) => {
  const layout = { ...coloured, pattern };
  const frame = pack(layout, (x, y) => scene(x, y, pattern[2 * (y & 1) + (x & 1)]!));
  const path = freshPath('frame');
  writeFileSync(path, frame);
  const input = [
    '-f',
    'rawvideo',
    '-pixel_format',
    `bayer_${pattern.toLowerCase()}8`,
    '-video_size',
    '64x40',
    '-i',
    path,
  ];
  const output = ['-f', 'rawvideo', '-pix_fmt', 'rgb24', '-'];
  const judged = execFileSync(tools!.ffmpeg, ['-v', 'error', ...input, ...output]);
  const { pixels } = developRaw(frame, [], layout);
  let worst = 0;
  // It fills the border in its own way.
  for (let y = 2; y < layout.height - 2; y++) {
    for (let x = 2; x < layout.width - 2; x++) {
      for (let c = 0; c < 3; c++) {
        const linear = judged[3 * (y * layout.width + x) + c]!;
        const shown = pixels.data[4 * (y * layout.width + x) + c]!;
        // It cuts halves off, here they are rounded.
        const off = Math.min(Math.abs(shown - tone(linear / 255)), Math.abs(shown - tone((linear + 1) / 255)));
        worst = Math.max(worst, off);
      }
    }
  }
  expect(worst).toBe(0);
});

test('black level and white balance are as libvips scales them', async () => {
  const layout = {
    ...coloured,
    bits: 12,
    pattern: 'RGGB' as const,
    blackLevel: 200,
    whiteBalance: [1.9, 1, 1.4] as const,
  };
  const frame = pack(layout, (x, y) => 16 * scene(x, y, layout.pattern[2 * (y & 1) + (x & 1)] as string));
  const plain = developRaw(frame, [], { ...layout, blackLevel: 0, whiteBalance: [1, 1, 1] });
  const { pixels } = developRaw(frame, [], layout);
  // Samples of each colour where it was taken, as bare values for libvips.
  const samples = Uint16Array.from({ length: 3 * 64 * 40 }, (_, i) => {
    const [x, y] = [Math.floor(i / 3) % 64, Math.floor(i / 192)];
    return 16 * scene(x, y, 'RGB'[i % 3]!);
  });
  const scale = layout.whiteBalance.map((factor) => (65535 / (4095 - 200)) * factor);
  const levels = sharp(samples, { raw: { width: 64, height: 40, channels: 3 } })
    .toColourspace('rgb16')
    .linear(
      scale,
      scale.map((factor) => -200 * factor),
    )
    .raw({ depth: 'ushort' });
  const scaled = new Uint16Array(new Uint8Array(await levels.toBuffer()).buffer);
  let compared = 0;
  for (let y = 0; y < 40; y++) {
    for (let x = 0; x < 64; x++) {
      const c = 'RGB'.indexOf(layout.pattern[2 * (y & 1) + (x & 1)]!);
      const shown = pixels.data[4 * (64 * y + x) + c]!;
      expect(Math.abs(shown - tone(scaled[3 * (64 * y + x) + c]! / 65535))).toBeLessThanOrEqual(1);
      compared += plain.pixels.data[4 * (64 * y + x) + c] === shown ? 0 : 1;
    }
  }
  // Both had something to do.
  expect(compared).toBeGreaterThan(1000);
});

test('samples that are missing or cut off are empty pixels, and no others', () => {
  const layout = { ...base, packing: 'high-first' as const };
  const frame = pack(layout, (x, y) => sampleAt(x, y, 12));
  const rowBytes = rawRowBytes(layout);
  const end = 10 * rowBytes;
  const { pixels, samples } = developRaw(frame.subarray(0, end), [[rowBytes + 3, rowBytes + 4]], layout);
  // Byte 3 of a row is the whole of the third sample's first eight bits.
  const empty = [...Array(layout.width * layout.height).keys()].filter((i) => pixels.data[4 * i + 3] === 0);
  expect(empty).toEqual([
    layout.width + 2,
    ...Array.from({ length: 3 * layout.width }, (_, i) => 10 * layout.width + i),
  ]);
  expect(samples).toBe(layout.width * layout.height - empty.length);
});

test('a layout that makes no sense is refused', () => {
  expect(() => developRaw(Buffer.alloc(10), [], { ...base, bits: 7 })).toThrow('8 to 16 bits, got 7');
  expect(() => developRaw(Buffer.alloc(10), [], { ...base, width: 0 })).toThrow('0 x 13');
});
