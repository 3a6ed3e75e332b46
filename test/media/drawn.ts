// Pictures and clips drawn for the media tests: textured like photographs, seeded, nothing taken from anywhere.
import { execFile } from 'node:child_process';
import { mkdtemp, readFile, rm } from 'node:fs/promises';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { promisify } from 'node:util';
import sharp, { type Sharp } from 'sharp';
import { onTestFinished } from 'vitest';
import { findFfmpeg, type Tools } from '../../src/media/ffmpeg.js';

export type Style = 'textured' | 'dark' | 'stars' | 'even';

/** The machine's ffmpeg or the packaged one; tests that need it are skipped without. */
export const tools: Tools | null = await findFfmpeg();

/** Numbers in [0, 1) (multiplicative congruential, modulus 2^31 - 1). */
export function seeded(seed: number): () => number {
  let state = seed;
  return () => (state = (state * 48271) % 0x7fffffff) / 0x7fffffff;
}

export function drawPicture(width: number, height: number, style: Style = 'textured', seed = 1): Sharp {
  const random = seeded(seed);
  const value = (x: number, y: number, c: number) => {
    if (style === 'even') return 255;
    if (style === 'dark') return y > 0.8 * height ? 60 * Math.sin(x / 9) + 60 : 3;
    if (style === 'stars') return random() > 0.995 ? 255 : 5;
    return 100 + 80 * Math.sin(x / 40 + c) + 60 * Math.cos(y / 30) + 40 * (random() - 0.5);
  };
  const raw = Buffer.alloc(3 * width * height);
  for (let i = 0; i < raw.length; i++) {
    const pixel = Math.floor(i / 3);
    raw[i] = Math.max(0, Math.min(255, value(pixel % width, Math.floor(pixel / width), i % 3)));
  }
  return sharp(raw, { raw: { width, height, channels: 3 } });
}

/** A folder that goes away with the test. */
export async function freshFolder(): Promise<string> {
  const folder = await mkdtemp(join(tmpdir(), 'passweave-test-'));
  onTestFinished(() => rm(folder, { recursive: true, force: true }));
  return folder;
}

export async function ffmpeg(...args: string[]): Promise<void> {
  await promisify(execFile)(tools!.ffmpeg, ['-v', 'error', '-y', ...args]);
}

/** Two seconds, 50 frames of 320 by 240, with noise. */
export async function drawClip(path: string, ...encoding: string[]): Promise<void> {
  const source = 'testsrc=size=320x240:rate=25:duration=2,noise=alls=20:allf=t:all_seed=5';
  await ffmpeg('-f', 'lavfi', '-i', source, '-pix_fmt', 'yuv420p', ...encoding, path);
}

/** A JPEG with a restart marker after each row of MCUs: what ffmpeg writes when it codes slices in parallel. */
export async function jpegWithRestarts(picture: Sharp): Promise<Buffer> {
  const folder = await freshFolder();
  const [png, jpg] = [join(folder, 'p.png'), join(folder, 'p.jpg')];
  await picture.png().toFile(png);
  await ffmpeg('-i', png, '-pix_fmt', 'yuvj420p', '-threads', '2', '-thread_type', 'slice', '-f', 'mjpeg', jpg);
  return renumbered(await readFile(jpg));
}

/** Restart markers counted 0 to 7 from the first (T.81, B.2.1): parallel slices of some ffmpeg versions count apart. */
function renumbered(jpeg: Buffer): Buffer {
  let count = 0;
  for (let at = jpeg.indexOf(Buffer.from([0xff, 0xda])); at < jpeg.length - 1; at++) {
    if (jpeg[at] === 0xff && (jpeg[at + 1]! & 0xf8) === 0xd0) jpeg[at + 1] = 0xd0 + (count++ & 7);
  }
  return jpeg;
}
