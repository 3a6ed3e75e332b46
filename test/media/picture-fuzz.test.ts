// Hostile and broken PNG files and raw frames: whatever is cut, flipped, repeated or lost, salvage comes to an end and never throws.
// Judge of what is shown of an unharmed file with holes: its own decode (salvage.test.ts).
import sharp from 'sharp';
import { expect, test } from 'vitest';
import { developRaw } from '../../src/media/raw/develop-raw.js';
import { salvagePng } from '../../src/media/salvage-png.js';
import type { SensorLayout } from '../../src/mission/mission.js';
import { mutate, randomFor } from '../support/mutate.js';
import { drawPicture } from './drawn.js';
import { lostSegments } from './video-clips.js';

/** More by hand: FUZZ_ROUNDS=2000 npx vitest run ... */
const count = Number(process.env['FUZZ_ROUNDS'] ?? 200);

test('mutated PNG files with holes are read without a crash or a hang', async () => {
  const random = randomFor(1, 'picture fuzz');
  const wholes = await Promise.all([
    drawPicture(120, 90).png().toBuffer(),
    drawPicture(61, 90, 'dark').png({ adaptiveFiltering: true }).toBuffer(),
    drawPicture(120, 90).png({ progressive: true }).toBuffer(),
    drawPicture(200, 90).png({ palette: true, colours: 4 }).toBuffer(),
    drawPicture(90, 90, 'stars').png({ compressionLevel: 0 }).toBuffer(),
    drawPicture(120, 90).toColourspace('rgb16').png({ compressionLevel: 9 }).toBuffer(),
  ]);
  let [slowest, shown] = [0, 0];
  for (let n = 0; n < count; n++) {
    const whole = wholes[n % wholes.length]!;
    // Behind the header: a file without one is no PNG.
    const file =
      n % 3 === 0 ? mutate(whole, random) : Buffer.concat([whole.subarray(0, 41), mutate(whole.subarray(41), random)]);
    const gaps = lostSegments(file, [0, 0.03, 0.2][n % 3]!, 1 + (n % 4), random);
    const began = performance.now();
    const salvaged = await salvagePng(file, gaps);
    slowest = Math.max(slowest, performance.now() - began);
    if (!salvaged) continue;
    shown++;
    const { width, height, channels } = await sharp(Buffer.concat(salvaged.png)).metadata();
    expect([width, height, channels]).toEqual([file.readUInt32BE(16), file.readUInt32BE(20), 4]);
  }
  expect(shown).toBeGreaterThan(count / 10);
  expect(slowest).toBeLessThan(5000);
  if (process.env['FUZZ_ROUNDS'])
    console.log(`${count} PNG files, ${shown} shown in part, slowest ${slowest.toFixed(0)} ms`);
});

test('mutated raw frames with holes are developed without a crash or a hang', () => {
  const random = randomFor(2, 'picture fuzz');
  let slowest = 0;
  for (let n = 0; n < count; n++) {
    const pick = <Value>(...values: Value[]): Value => values[Math.floor(random() * values.length)]!;
    const layout: SensorLayout = {
      width: 1 + Math.floor(random() * 90),
      height: 1 + Math.floor(random() * 60),
      bits: 8 + Math.floor(random() * 9),
      packing: pick('none', 'high-first', 'low-first'),
      byteOrder: pick('big', 'little'),
      pattern: pick('mono', 'RGGB', 'BGGR', 'GRBG', 'GBRG'),
      rowOrder: pick('top-down', 'bottom-up'),
      blackLevel: Math.floor(random() * 65536),
      whiteBalance: [random() * 8 + 0.01, 1, random() * 8 + 0.01],
      headerBytes: Math.floor(random() * 100),
    };
    const file = mutate(Buffer.from(Array.from({ length: 9000 }, (_, i) => (i * 7919) >> (i & 3))), random);
    const began = performance.now();
    const { pixels, samples } = developRaw(file, lostSegments(file, 0.1, 2, random), layout);
    slowest = Math.max(slowest, performance.now() - began);
    expect(pixels.data).toHaveLength(4 * layout.width * layout.height);
    expect(samples).toBeLessThanOrEqual(layout.width * layout.height);
  }
  expect(slowest).toBeLessThan(2000);
  if (process.env['FUZZ_ROUNDS']) console.log(`${count} raw frames, slowest ${slowest.toFixed(0)} ms`);
});
