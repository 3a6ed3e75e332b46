// What a salvager of pictures hands on, and how the rest is marked: pixels that cannot be trusted are replaced by a
// hatch of grey stripes on nothing, so that neither an eye nor a program takes them for the picture.
import sharp from 'sharp';
import { hatchPeriod, isStripe, STRIPE } from './hatch.js';
import type { Pixels } from './picture.js';

/** A picture of which only the upper `rows` pixel rows are to be shown. */
export type TrustedRows = {
  readonly pixels: Pixels;
  readonly rows: number;
  /** Plain sentences: what is shown and what is not. */
  readonly note: string;
};

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
  const period = hatchPeriod(width);
  const stripes = Buffer.alloc(4 * (width + period));
  for (let x = 0; x < width + period; x++) if (isStripe(x, 0, period)) stripes.set(STRIPE, 4 * x);
  for (let y = rows; y < height; y++) {
    const shift = y % period;
    stripes.copy(data, 4 * y * width, 4 * shift, 4 * (shift + width));
  }
  return sharp(data, { raw: { width, height, channels: 4 } })
    .png()
    .toBuffer();
}
