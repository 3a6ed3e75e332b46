// A salvaged JPEG as pictures to look at: a PNG in which nothing stands where nothing arrived (hatched, so that it is seen) and what
// is not sure shines through, a small map of the grades, and on request a separate picture with the holes interpolated.
import { hatchPeriod, isStripe, STRIPE } from '../hatch.js';
import { decodePixels, openPicture, type Pixels } from '../picture.js';
import { sharpLibrary } from '../sharp-library.js';
import { coarse, type HoledFacts, likely, missing } from './read-holed-jpeg.js';

/** Opacity by grade; of what is missing, that of the stripes. */
const opacity: Readonly<Record<number, number>> = { [missing]: STRIPE[3], [coarse]: 150, [likely]: 215 };

/**
 * The rebuilt picture with an opacity for each MCU: what is missing, flat grey in the file, becomes grey stripes on nothing.
 *
 * @param jpeg the rebuilt file, as `writeJpeg` gives it
 * @returns `null` where it does not decode
 */
export async function markPicture(jpeg: Buffer, { layout, grades, width, height }: HoledFacts): Promise<Buffer | null> {
  const alpha = Buffer.alloc(width * height, 255);
  const period = hatchPeriod(width);
  for (const { x, y, right, bottom, grade } of boxes(layout, grades, width, height)) {
    const value = opacity[grade];
    if (value === undefined) continue;
    for (let row = y; row < bottom; row++) {
      alpha.fill(value, row * width + x, row * width + right);
      if (grade !== missing) continue;
      for (let column = x; column < right; column++) {
        if (!isStripe(column, row, period)) alpha[row * width + column] = 0;
      }
    }
  }
  try {
    return await openPicture(jpeg, 'error')
      .toColourspace('srgb')
      .joinChannel(alpha, { raw: { width, height, channels: 1 } })
      .png({ compressionLevel: 3 })
      .toBuffer();
  } catch {
    return null;
  }
}

type Box = { x: number; y: number; right: number; bottom: number; grade: number };

/** Pixels of each MCU; `right` and `bottom` exclusive. */
function* boxes(
  { across, mcuWidth, mcuHeight }: HoledFacts['layout'],
  grades: Uint8Array,
  width: number,
  height: number,
): Generator<Box> {
  for (const [m, grade] of grades.entries()) {
    const x = (m % across) * mcuWidth;
    const y = Math.floor(m / across) * mcuHeight;
    yield { x, y, right: Math.min(width, x + mcuWidth), bottom: Math.min(height, y + mcuHeight), grade };
  }
}

/** One pixel per MCU: black missing, dark grey coarse, light grey likely, white sure. */
export function gradeMap({ grades, layout }: HoledFacts): Promise<Buffer> {
  const data = Buffer.from(grades.map((grade) => 85 * grade));
  return sharpLibrary()(data, { raw: { width: layout.across, height: layout.down, channels: 1 } })
    .png()
    .toBuffer();
}

const label = 'Parts of this picture never arrived and were filled in by interpolation.';

/** The picture with its missing MCUs filled from what is around them; labelled in its own description. */
export async function concealPicture(jpeg: Buffer, { layout, grades }: HoledFacts): Promise<Buffer | null> {
  const pixels = await decodePixels(jpeg, 'error');
  if (!pixels) return null;
  const { data, width, height } = pixels;
  for (const { x, y, right, bottom, grade } of boxes(layout, grades, width, height)) {
    if (grade !== missing) continue;
    for (let row = y; row < bottom; row++) data.fill(0, 4 * (row * width + x), 4 * (row * width + right));
  }
  fillHoles(pixels);
  return sharpLibrary()(data, { raw: { width, height, channels: 4 } })
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
