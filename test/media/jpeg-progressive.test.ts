// Pieces of progressive scans between holes: placed by what other scans tell. Judge: the coefficients of the intact file, which are
// those that libjpeg-turbo decodes (see jpeg-holes.test.ts). Correlation is compared with the plain sum.
import sharp from 'sharp';
import { describe, expect, test } from 'vitest';
import { correlate, correlatePairs, spectrumOf } from '../../src/media/jpeg/fourier.js';
import { type Gaps, readJpegHeader } from '../../src/media/jpeg/header.js';
import { findPeak, holdPieces } from '../../src/media/jpeg/hold-pieces.js';
import { type HoledJpeg, readHoledJpeg } from '../../src/media/jpeg/read-holed-jpeg.js';
import { seeded } from './drawn.js';
import { drawScene, holed, makeGaps } from './holed-jpeg.js';

const scene = await drawScene(960, 640, 5);
const whole = await sharp(scene).jpeg({ quality: 88, progressive: true }).toBuffer();
const truth = readHoledJpeg(whole, [])!;
const scans = readJpegHeader(whole, [])!.scans;
const refinement = scans.findIndex(({ spectralEnd, high }) => spectralEnd === 0 && high > 0);

/** Holes of 90 bytes in the data of scan `n`. */
function holesIn(n: number, share: number, seed: number): [number, number][] {
  const { start, end } = scans[n]!;
  const gaps = makeGaps(end - start, 90, share, seed).map(([from, to]): [number, number] => [from + start, to + start]);
  return gaps.filter(([from, to]) => from > start && to < end);
}

const bytesOf = (gaps: Gaps) => gaps.reduce((sum, [from, to]) => sum + to - from, 0);

/** Shares of the MCUs whose luminance blocks step from one to the next as they do in the truth, and of those that do not. */
function placement(got: HoledJpeg): { right: number; wrong: number } {
  let [right, wrong] = [0, 0];
  const { blocks } = truth;
  for (let m = 0; m < truth.layout.mcus; m++) {
    if (got.source[m]! < 0) continue;
    let same = true;
    for (let b = 1; b < 4; b++) {
      const at = 64 * (m * blocks.length + b);
      const step = (store: Int16Array) => store[at]! - store[at - 64]!;
      if (Math.abs(step(got.store) - step(truth.store)) > 1) same = false;
    }
    if (same) right++;
    else wrong++;
  }
  return { right: right / truth.layout.mcus, wrong: wrong / truth.layout.mcus };
}

test('pieces of the first scan are placed by the bits that refine them', () => {
  for (const seed of [1, 2, 3, 8]) {
    const gaps = holesIn(0, 0.2, seed);
    const { start, end } = scans[0]!;
    const arrived = 1 - bytesOf(gaps) / (end - start);
    const { right, wrong } = placement(readHoledJpeg(holed(whole, gaps), gaps)!);
    expect(right).toBeGreaterThan(arrived - 0.08);
    expect(wrong).toBeLessThan(0.012);
  }
});

test('so they are where those bits have holes, or the header of their scan is lost', () => {
  const { start } = scans[refinement]!;
  const first = holesIn(0, 0.2, 3);
  const cases: Gaps[] = [holesIn(refinement, 0.15, 4), [[start - 30, start + 60]]];
  for (const later of cases) {
    const gaps = [...first, ...later];
    const { right, wrong } = placement(readHoledJpeg(holed(whole, gaps), gaps)!);
    expect(right).toBeGreaterThan(1 - bytesOf(first) / (scans[0]!.end - scans[0]!.start) - 0.1);
    expect(wrong).toBeLessThan(0.025);
  }
});

test('what follows a lost header of the second scan is not taken for the first scan', () => {
  const gaps: Gaps = [[scans[0]!.end - 60, scans[1]!.start + 40]];
  const { right, wrong } = placement(readHoledJpeg(holed(whole, gaps), gaps)!);
  expect(right).toBeGreaterThan(0.95);
  expect(wrong).toBeLessThan(0.002);
});

describe.each(
  scans.flatMap(({ spectralStart, high, components }, n) =>
    spectralStart > 0 && high === 0 ? [[n, components[0]!]] : [],
  ),
)('scan %i, component %i', (n, component) => {
  test('its pieces between holes are placed where they belong, or left out', () => {
    const { start, end, spectralStart, spectralEnd } = scans[n]!;
    const gaps = holesIn(n, 0.08, 7);
    if (gaps.length === 0) return;
    const got = readHoledJpeg(holed(whole, gaps), gaps)!;
    let [shown, right, wrong] = [0, 0, 0];
    for (let i = 0; i < truth.store.length / 64; i++) {
      if (truth.blocks[i % truth.blocks.length]!.component !== component) continue;
      for (let k = spectralStart; k <= spectralEnd; k++) {
        // Its own part of each coefficient: refinements behind it can not be read any more.
        const [a, t] = [got.store[64 * i + k]!, truth.store[64 * i + k]!];
        if (t === 0 && a === 0) continue;
        if (Math.abs(t) >= 1 << scans[n]!.low) shown++;
        if (a !== 0 && Math.abs(a - t) < 1 << scans[n]!.low) right++;
        else if (a !== 0) wrong++;
      }
    }
    expect(right / shown).toBeGreaterThan(1 - bytesOf(gaps) / (end - start) - 0.15);
    expect(wrong / shown).toBeLessThan(0.005);
  });
});

test('with the tables of a scan lost, its data are not read with those of an earlier one', () => {
  for (const [n, { start, components, spectralStart }] of scans.entries()) {
    if (n === 0 || spectralStart === 0) continue;
    // All of the tables; the scan's own header (8 bytes and 2 for each component) is there.
    const gaps: Gaps = [[scans[n - 1]!.end - 20, start - 8 - 2 * components.length]];
    const got = readHoledJpeg(holed(whole, gaps), gaps)!;
    let wrong = 0;
    for (const [i, value] of got.store.entries()) {
      if (i % 64 > 0 && value !== 0 && Math.abs(value - truth.store[i]!) >= 8) wrong++;
    }
    expect(wrong).toBe(0);
  }
});

test('correlation by transform is the plain sum', () => {
  const random = seeded(3);
  for (const size of [64, 128]) {
    const [a, b, c, d] = [40, 40, 20, 20].map((length) => Array.from({ length }, () => random() - 0.5)) as [
      number[],
      number[],
      number[],
      number[],
    ];
    const both = correlate(spectrumOf(a, size, b), spectrumOf(c, size));
    const each = correlatePairs(spectrumOf(a, size, b), spectrumOf(c, size, d));
    for (let lag = -19; lag < 40; lag++) {
      const plain = (long: number[], short: number[]) =>
        short.reduce((sum, value, i) => sum + value * (long[i + lag] ?? 0), 0);
      const at = (lag + size) % size;
      expect(both.re[at]).toBeCloseTo(plain(a, c), 9);
      expect(both.im[at]).toBeCloseTo(-plain(b, c), 9);
      expect(each.re[at]).toBeCloseTo(plain(a, c), 9);
      expect(each.im[at]).toBeCloseTo(-plain(b, d), 9);
    }
  }
});

test('pieces are held only in their order and with room for those between them', () => {
  const pieces = [3, 4, 2].map((count) => ({ count, fixed: -1 }));
  const evidence = pieces.map(({ count }) => new Float32Array(20 - count + 1));
  evidence[0]![5] = 40;
  evidence[1]![2] = 30;
  evidence[2]![11] = 25;
  const peaks = () => evidence.map((scores) => findPeak(scores, { fixed: -1 }));
  expect([...holdPieces(pieces, peaks(), 20).places]).toEqual([5, -1, -1]);
  evidence[2]![11] = 0;
  evidence[2]![12] = 25;
  expect([...holdPieces(pieces, peaks(), 20).places]).toEqual([5, -1, 12]);
  // What does not fit in behind the last is left out.
  evidence.push(new Float32Array(12));
  expect(holdPieces([...pieces, { count: 9, fixed: -1 }], peaks(), 20).kept).toEqual([0, 1, 2]);
});
