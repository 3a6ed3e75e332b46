// A raw frame of a camera to look at: developed as the mission file says, what is missing hatched.
import type { SensorFiles, SensorLayout } from '../mission/mission.js';
import { hatchPeriod, isStripe, STRIPE } from './hatch.js';
import { readPictureFile } from './picture.js';
import { developRaw, rawRowBytes } from './raw/develop-raw.js';
import { sharpLibrary } from './sharp-library.js';

export type RawSalvage = {
  readonly png: Buffer;
  readonly note: string;
};

/** The layout of the raw frames that `name` is one of, if the mission file tells. */
export function sensorLayoutOf(name: string, sensors: readonly SensorFiles[]): SensorLayout | undefined {
  const isOf = ({ name: pattern }: SensorFiles): boolean => {
    const escaped = pattern.split('*').map((part) => part.replaceAll(/[.*+?^${}()|[\]\\]/g, '\\$&'));
    return new RegExp(`^${escaped.join('.*')}$`, 's').test(name);
  };
  return sensors.find(isOf)?.layout;
}

/**
 * @param gaps missing ranges, half open, in order, disjoint
 * @returns `null` where no sample arrived or the file is too large
 * @throws the system's error where the file cannot be read
 */
export async function salvageRaw(
  path: string,
  gaps: readonly (readonly [start: number, end: number])[],
  layout: SensorLayout,
): Promise<RawSalvage | null> {
  const bytes = await readPictureFile(path);
  if (!bytes) return null;
  const { pixels, samples } = developRaw(bytes, gaps, layout);
  if (samples === 0) return null;
  const { data, width, height } = pixels;
  hatch(data, width, height);
  const png = await sharpLibrary()(data, { raw: { width, height, channels: 4 } })
    .png()
    .toBuffer();
  const share = (100 * samples) / (width * height);
  const percent = samples < width * height && share > 99.9 ? '99.9' : share.toFixed(1);
  const rest = samples < width * height ? ' The hatched rest is missing.' : '';
  const expected = layout.headerBytes + rawRowBytes(layout) * height;
  const size = bytes.length > expected ? ` Behind the frame there are ${bytes.length - expected} more bytes.` : '';
  return {
    png,
    note: `${percent} % of the ${width} x ${height} samples arrived; developed as the mission file says.${rest}${size}`,
  };
}

/** Grey stripes where nothing stands. */
function hatch(data: Buffer, width: number, height: number): void {
  const period = hatchPeriod(width);
  for (let y = 0; y < height; y++) {
    for (let x = 0; x < width; x++) {
      const at = 4 * (y * width + x);
      if (data[at + 3] === 0 && isStripe(x, y, period)) data.set(STRIPE, at);
    }
  }
}
