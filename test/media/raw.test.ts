// Judge: frames made here sample by sample, in each packing, from a picture whose developed pixels are known.
import { expect, test } from 'vitest';
import { developRaw, rawRowBytes } from '../../src/media/raw/develop-raw.js';
import type { SensorLayout } from '../../src/mission/mission.js';

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
