// What a salvager of pictures hands on, and how the rest is marked: pixels that cannot be trusted are replaced by a
// hatch of grey stripes on nothing, so that neither an eye nor a program takes them for the picture.
import sharp from 'sharp';
import type { Pixels } from './picture.js';

/** A picture of which only the upper `rows` pixel rows are to be shown. */
export type TrustedRows = {
  readonly pixels: Pixels;
  readonly rows: number;
  /** Plain sentences: what is shown and what is not. */
  readonly note: string;
};

const grey = [128, 128, 128, 192];

/** The sentence about the rows, for the note. */
export function rowsShown(rows: number, height: number): string {
  if (rows === height) return `All ${height} pixel rows are shown.`;
  return `The top ${rows} of ${height} pixel rows are shown; the hatched rest is missing.`;
}

/**
 * Encodes the trusted rows as PNG, the others hatched.
 *
 * @param picture its pixels are written over
 */
export async function hatchedPng({ pixels, rows }: TrustedRows): Promise<Buffer> {
  const { data, width, height } = pixels;
  // Wide enough to be seen when the picture is shrunk to a thumbnail.
  const period = Math.max(12, Math.round(width / 20));
  const stripes = Buffer.alloc(4 * (width + period));
  for (let x = 0; x < width + period; x++) if (x % period < period / 3) stripes.set(grey, 4 * x);
  for (let y = rows; y < height; y++) {
    const shift = y % period;
    stripes.copy(data, 4 * y * width, 4 * shift, 4 * (shift + width));
  }
  return sharp(data, { raw: { width, height, channels: 4 } })
    .png()
    .toBuffer();
}
