// Pictures and holes for the tests of salvage: a drawn scene that behaves like a photograph (smooth light, outlines, grain), seeded.
import { spawnSync } from 'node:child_process';
import sharp from 'sharp';
import type { Gaps } from '../../src/media/jpeg/header.js';
import { seeded } from './drawn.js';

/** cjpeg and djpeg of libjpeg-turbo write what sharp cannot; tests that need them are skipped without. */
export const hasCjpeg: boolean =
  spawnSync('cjpeg', ['-version']).error === undefined && spawnSync('djpeg', ['-version']).error === undefined;

export async function drawScene(width: number, height: number, seed: number): Promise<Buffer> {
  const random = seeded(seed);
  const shapes = Array.from({ length: 40 }, () => {
    const [x, y, r] = [random() * width, random() * height, 8 + random() * 60];
    const colour = [0, 0, 0].map(() => Math.floor(40 + 200 * random())).join(',');
    return `<circle cx="${x}" cy="${y}" r="${r}" fill="rgb(${colour})" fill-opacity="0.7"/>`;
  });
  const sky =
    '<linearGradient id="s" x2="0.3" y2="1"><stop offset="0" stop-color="#345"/><stop offset="1" stop-color="#cb9"/></linearGradient>';
  const svg = `<svg xmlns="http://www.w3.org/2000/svg" width="${width}" height="${height}"><defs>${sky}</defs><rect width="100%" height="100%" fill="url(#s)"/>${shapes.join('')}</svg>`;
  const { data } = await sharp(Buffer.from(svg)).removeAlpha().blur(1).raw().toBuffer({ resolveWithObject: true });
  for (let i = 0; i < data.length; i++) data[i] = Math.max(0, Math.min(255, data[i]! + 14 * (random() - 0.5)));
  return sharp(data, { raw: { width, height, channels: 3 } })
    .png()
    .toBuffer();
}

/** Whole segments, each lost by itself, none before `from`. */
export function makeGaps(bytes: number, segment: number, loss: number, seed: number, from = 0): [number, number][] {
  const random = seeded(seed * 7919);
  const gaps: [number, number][] = [];
  for (let at = 0; at < bytes; at += segment) {
    const [start, end] = [Math.max(at, from), Math.min(bytes, at + segment)];
    if (random() >= loss || start >= end) continue;
    if (gaps.at(-1)?.[1] === start) gaps.at(-1)![1] = end;
    else gaps.push([start, end]);
  }
  return gaps;
}

export function holed(whole: Buffer, gaps: Gaps, filling = 0): Buffer {
  const copy = Buffer.from(whole);
  for (const [start, end] of gaps) copy.fill(filling, start, end);
  return copy;
}
