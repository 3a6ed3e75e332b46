// What a salvager of pictures hands on, and how the rest is marked: pixels that are not known are replaced by a hatch of grey stripes on
// nothing, so that neither an eye nor a program takes them for the picture.
import sharp from 'sharp';
import { hatchPeriod, isStripe, STRIPE } from './hatch.js';
import type { Pixels } from './picture.js';

/** A picture of which only some pixels are to be shown. */
export type ShownPixels = {
  readonly pixels: Pixels;
  /** 1 for each pixel that is shown, row by row. */
  readonly shown: Uint8Array;
  /** Plain sentences: what is shown and what is not. */
  readonly note: string;
};

/** The sentence about what is shown, for the note. */
export function pixelsShown(shown: Uint8Array, width: number, height: number): string {
  const first = shown.indexOf(0);
  if (first < 0) return `All ${height} pixel rows are shown.`;
  const rows = Math.floor(first / width);
  const count = shown.reduce((sum, one) => sum + one, 0);
  const top = `The top ${rows} of ${height} pixel rows are shown`;
  if (!shown.includes(1, (rows + 1) * width)) return `${top}; the hatched rest is missing.`;
  const percent = Math.min(99.9, (100 * count) / shown.length).toFixed(1);
  return `${percent} % of the picture is shown, row by row from where a hole leaves off. The hatched rest is missing.`;
}

/**
 * Encodes what is shown as PNG, the rest hatched.
 *
 * @param picture its pixels are written over
 */
export async function hatchedPng({ pixels, shown }: ShownPixels): Promise<Buffer> {
  const { data, width, height } = pixels;
  const period = hatchPeriod(width);
  for (let y = 0; y < height; y++) {
    for (let x = 0; x < width; x++) {
      const i = y * width + x;
      if (shown[i]) continue;
      if (isStripe(x, y, period)) data.set(STRIPE, 4 * i);
      else data.fill(0, 4 * i, 4 * i + 4);
    }
  }
  return sharp(data, { raw: { width, height, channels: 4 } })
    .png()
    .toBuffer();
}
