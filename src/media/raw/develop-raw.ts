// Raw sensor frames: rows of samples whose places the mission file tells, so that what arrived is placed exactly. Developed by black
// level, white balance and bilinear interpolation of the colour pattern (common practice), never from a sample that is missing.
// sharp, which writes and shrinks the picture, has no demosaicing, knows no missing samples and has powers only, not the sRGB curve; the
// two factors that it could apply are in the same table as the curve, so that values are rounded once.
import type { SensorLayout } from '../../mission/mission.js';
import type { Gaps } from '../jpeg/header.js';
import type { Pixels } from '../picture.js';

export type DevelopedRaw = {
  /** 8-bit sRGB with opacity; missing pixels are 0 in all four. */
  readonly pixels: Pixels;
  /** Samples that arrived. */
  readonly samples: number;
};

const unknown = 0xffff_ffff;

/** Bytes of one row. */
export function rawRowBytes({ width, bits, packing }: SensorLayout): number {
  return packing === 'none' ? width * (bits > 8 ? 2 : 1) : Math.ceil((width * bits) / 8);
}

/**
 * Develops a raw frame.
 *
 * @param bytes the file, anything in its gaps; it may end early. Not changed, not kept
 * @param gaps missing ranges, half open, in order, disjoint
 * @throws RangeError where the layout makes no sense: the caller's mistake
 */
export function developRaw(bytes: Uint8Array, gaps: Gaps, layout: SensorLayout): DevelopedRaw {
  const { width, height, bits } = layout;
  if (!(Number.isInteger(bits) && bits >= 8 && bits <= 16))
    throw new RangeError(`a raw sample has 8 to 16 bits, got ${bits}`);
  if (!(width > 0 && height > 0 && width * height <= 100_000_000)) {
    throw new RangeError(`a raw frame has 1 to 100,000,000 samples, got ${width} x ${height}`);
  }
  const samples = readSamples(bytes, gaps, layout);
  const data = Buffer.alloc(4 * width * height);
  const tone = toneTable(layout);
  const flip = layout.rowOrder === 'bottom-up';
  const rgb = [0, 0, 0];
  let known = 0;
  for (let y = 0; y < height; y++) {
    for (let x = 0; x < width; x++) {
      if (samples[y * width + x] === unknown) continue;
      known++;
      if (!interpolate(samples, layout, x, y, rgb)) continue;
      const to = 4 * ((flip ? height - 1 - y : y) * width + x);
      for (let i = 0; i < 3; i++) data[to + i] = tone[i]![Math.round(rgb[i]!)]!;
      data[to + 3] = 255;
    }
  }
  return { pixels: { data, width, height }, samples: known };
}

/** All samples in the order sent, `unknown` where any of their bits is missing. */
function readSamples(bytes: Uint8Array, gaps: Gaps, layout: SensorLayout): Uint32Array {
  const { width, height, bits, packing, byteOrder, headerBytes } = layout;
  const rowBytes = rawRowBytes(layout);
  const samples = new Uint32Array(width * height).fill(unknown);
  const step = packing === 'none' ? (bits > 8 ? 16 : 8) : bits;
  let g = 0;
  for (let y = 0; y < height; y++) {
    const row = headerBytes + y * rowBytes;
    for (let x = 0; x < width; x++) {
      const bit = x * step;
      const first = row + (bit >> 3);
      const end = row + ((bit + step + 7) >> 3);
      if (end > bytes.length) return samples;
      while (g < gaps.length && gaps[g]![1] <= first) g++;
      if (g < gaps.length && gaps[g]![0] < end) continue;
      samples[y * width + x] = readSample(bytes, first, bit & 7, end - first, layout, byteOrder);
    }
  }
  return samples;
}

function readSample(
  bytes: Uint8Array,
  at: number,
  skip: number,
  count: number,
  { bits, packing }: SensorLayout,
  byteOrder: string,
): number {
  let value = 0;
  if (packing === 'high-first' || (packing === 'none' && byteOrder === 'big')) {
    for (let i = 0; i < count; i++) value = (value << 8) | bytes[at + i]!;
    if (packing === 'high-first') value >>>= 8 * count - skip - bits;
  } else {
    for (let i = count - 1; i >= 0; i--) value = (value << 8) | bytes[at + i]!;
    if (packing === 'low-first') value >>>= skip;
  }
  return value & ((1 << bits) - 1);
}

/** The colours at a sample: its own, the others as the mean of their nearest samples that arrived. `false` where one has none. */
function interpolate(
  samples: Uint32Array,
  { width, height, pattern }: SensorLayout,
  x: number,
  y: number,
  rgb: number[],
): boolean {
  if (pattern === 'mono') {
    rgb.fill(samples[y * width + x]!);
    return true;
  }
  for (let i = 0; i < 3; i++) {
    if (colourAt(pattern, x, y) === i) {
      rgb[i] = samples[y * width + x]!;
      continue;
    }
    let sum = 0;
    let count = 0;
    for (let v = Math.max(0, y - 1); v <= Math.min(height - 1, y + 1); v++) {
      for (let u = Math.max(0, x - 1); u <= Math.min(width - 1, x + 1); u++) {
        if (colourAt(pattern, u, v) !== i || samples[v * width + u] === unknown) continue;
        // Green lies beside red and blue; the corners are further away.
        if (i === 1 && u !== x && v !== y) continue;
        sum += samples[v * width + u]!;
        count++;
      }
    }
    if (count === 0) return false;
    rgb[i] = sum / count;
  }
  return true;
}

function colourAt(pattern: string, x: number, y: number): number {
  return 'RGB'.indexOf(pattern[2 * (y & 1) + (x & 1)]!);
}

/** By colour and sample: the 8-bit value, by the sRGB transfer curve (IEC 61966-2-1). */
function toneTable({ bits, blackLevel, whiteBalance, pattern }: SensorLayout): Uint8Array[] {
  const white = (1 << bits) - 1;
  return whiteBalance.map((factor) =>
    Uint8Array.from({ length: white + 1 }, (_, sample) => {
      const linear = ((sample - blackLevel) / Math.max(1, white - blackLevel)) * (pattern === 'mono' ? 1 : factor);
      const light = Math.min(1, Math.max(0, linear));
      return Math.round(255 * (light <= 0.0031308 ? 12.92 * light : 1.055 * light ** (1 / 2.4) - 0.055));
    }),
  );
}
