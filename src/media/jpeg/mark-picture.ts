// A salvaged JPEG as pictures to look at: a PNG in which nothing stands where nothing arrived (hatched, so that it is seen) and what
// is not sure shines through, a small map of the grades, and on request a separate picture with the holes interpolated.
import sharp from 'sharp';
import { decodePixels, type Pixels } from '../picture.js';
import { coarse, type HoledJpeg, likely, missing } from './read-holed-jpeg.js';

const grey = [128, 128, 128, 192] as const;
/** Opacity by grade. */
const opacity: Readonly<Record<number, number>> = { [coarse]: 150, [likely]: 215 };

/**
 * @param jpeg the rebuilt file, as `writeJpeg` gives it
 * @returns `null` where it does not decode
 */
export async function markPicture(jpeg: Buffer, holed: HoledJpeg): Promise<Buffer | null> {
  const pixels = await decodePixels(jpeg, 'error');
  if (!pixels) return null;
  const { data, width, height } = pixels;
  const { layout, grades } = holed;
  // Wide enough to be seen when the picture is shrunk to a thumbnail.
  const period = Math.max(12, Math.round(width / 20));
  for (const { x, y, right, bottom, grade } of boxes(layout, grades, width, height)) {
    if (grade === missing) {
      for (let row = y; row < bottom; row++) {
        for (let column = x; column < right; column++) {
          const at = 4 * (row * width + column);
          const striped = (row + column) % period < period / 3;
          for (let i = 0; i < 4; i++) data[at + i] = striped ? grey[i]! : 0;
        }
      }
    } else if (opacity[grade] !== undefined) {
      for (let row = y; row < bottom; row++) {
        for (let at = 4 * (row * width + x); at < 4 * (row * width + right); at += 4) data[at + 3] = opacity[grade];
      }
    }
  }
  return sharp(data, { raw: { width, height, channels: 4 } })
    .png({ compressionLevel: 3 })
    .toBuffer();
}

type Box = { x: number; y: number; right: number; bottom: number; grade: number };

/** Pixels of each MCU; `right` and `bottom` exclusive. */
function* boxes({ across, mcuWidth, mcuHeight }: HoledJpeg['layout'], grades: Uint8Array, width: number, height: number): Generator<Box> {
  for (const [m, grade] of grades.entries()) {
    const x = (m % across) * mcuWidth;
    const y = Math.floor(m / across) * mcuHeight;
    yield { x, y, right: Math.min(width, x + mcuWidth), bottom: Math.min(height, y + mcuHeight), grade };
  }
}

/** One pixel per MCU: black missing, dark grey coarse, light grey likely, white sure. */
export function gradeMap({ grades, layout }: HoledJpeg): Promise<Buffer> {
  const data = Buffer.from(grades.map((grade) => 85 * grade));
  return sharp(data, { raw: { width: layout.across, height: layout.down, channels: 1 } })
    .png()
    .toBuffer();
}

const label = 'Parts of this picture never arrived and were filled in by interpolation.';

/** The picture with its missing MCUs filled from what is around them; labelled in its own description. */
export async function concealPicture(jpeg: Buffer, { layout, grades }: HoledJpeg): Promise<Buffer | null> {
  const pixels = await decodePixels(jpeg, 'error');
  if (!pixels) return null;
  const { data, width, height } = pixels;
  for (const { x, y, right, bottom, grade } of boxes(layout, grades, width, height)) {
    if (grade !== missing) continue;
    for (let row = y; row < bottom; row++) data.fill(0, 4 * (row * width + x), 4 * (row * width + right));
  }
  fillHoles(pixels);
  return sharp(data, { raw: { width, height, channels: 4 } })
    .removeAlpha()
    .withExif({ IFD0: { ImageDescription: label } })
    .jpeg({ quality: 92 })
    .toBuffer();
}

/**
 * Fills pixels of no opacity from ever coarser means of those around them.
 *
 * @param pixels changed in place
 */
export function fillHoles({ data, width, height }: Pixels): void {
  if (width === 1 && height === 1) return;
  const half = { width: (width + 1) >> 1, height: (height + 1) >> 1 };
  const small = Buffer.alloc(4 * half.width * half.height);
  let holes = false;
  for (let y = 0; y < half.height; y++) {
    for (let x = 0; x < half.width; x++) {
      const sums = [0, 0, 0];
      let count = 0;
      for (let dy = 0; dy < 2 && 2 * y + dy < height; dy++) {
        for (let dx = 0; dx < 2 && 2 * x + dx < width; dx++) {
          const at = 4 * ((2 * y + dy) * width + 2 * x + dx);
          if (data[at + 3] === 0) {
            holes = true;
            continue;
          }
          count++;
          for (let i = 0; i < 3; i++) sums[i]! += data[at + i]!;
        }
      }
      if (count === 0) continue;
      const to = 4 * (y * half.width + x);
      for (let i = 0; i < 3; i++) small[to + i] = Math.round(sums[i]! / count);
      small[to + 3] = 255;
    }
  }
  if (!holes) return;
  fillHoles({ data: small, ...half });
  for (let y = 0; y < height; y++) {
    for (let x = 0; x < width; x++) {
      const at = 4 * (y * width + x);
      if (data[at + 3] !== 0) continue;
      // Between the four nearest means, as their distances are.
      const [x0, y0] = [Math.max(0, (x - 1) >> 1), Math.max(0, (y - 1) >> 1)];
      const [x1, y1] = [Math.min(half.width - 1, x0 + 1), Math.min(half.height - 1, y0 + 1)];
      const [fx, fy] = [x % 2 ? 0.25 : 0.75, y % 2 ? 0.25 : 0.75];
      for (let i = 0; i < 3; i++) {
        const upper = small[4 * (y0 * half.width + x0) + i]! * (1 - fx) + small[4 * (y0 * half.width + x1) + i]! * fx;
        const lower = small[4 * (y1 * half.width + x0) + i]! * (1 - fx) + small[4 * (y1 * half.width + x1) + i]! * fx;
        data[at + i] = Math.round(upper * (1 - fy) + lower * fy);
      }
      data[at + 3] = 255;
    }
  }
}
