// The contact sheet, read back with sharp (libvips) and looked at by its pixels.
import sharp from 'sharp';
import { beforeAll, describe, expect, test } from 'vitest';
import { contactSheet } from '../../src/report/contact-sheet.js';
import type { Report } from '../../src/report/model.js';
import { hostileReport } from '../support/hostile-report.js';
import { largeReport, sampleReport } from '../support/sample-report.js';

let report: Report;
beforeAll(async () => {
  report = await sampleReport();
});

describe('the contact sheet', () => {
  test('shows every picture with its name below', async () => {
    const sheet = (await contactSheet(report))!;
    const { width, height } = await sharp(sheet).metadata();
    // Six pictures in rows of three, boxes of 240 pixels.
    expect([width, height]).toEqual([3 * 256 + 16, 56 + 2 * 296 + 16]);
    const darkIn = async (left: number, top: number, w: number, h: number): Promise<number> => {
      const { data } = await sharp(sheet)
        .extract({ left, top, width: w, height: h })
        .greyscale()
        .raw()
        .toBuffer({ resolveWithObject: true });
      return data.filter((value) => value < 128).length;
    };
    for (let index = 0; index < report.thumbnails.size; index++) {
      const [left, top] = [16 + (index % 3) * 256, 56 + Math.floor(index / 3) * 296];
      expect(await darkIn(left, top, 240, 240), `picture ${index}`).toBeGreaterThan(1000);
      expect(await darkIn(left, top + 240, 240, 20), `name ${index}`).toBeGreaterThan(100);
    }
  });

  test('a hostile name is drawn like any other', async () => {
    expect((await sharp((await contactSheet(hostileReport(report)))!).metadata()).format).toBe('png');
  });

  test('of 1,000 pictures is one that viewers open', async () => {
    const large = largeReport(1000, 2, 0);
    const [thumbnail] = report.thumbnails.values();
    const thumbnails = new Map(large.coverage.files.map(({ id }) => [id, thumbnail!]));
    const { width, height } = await sharp((await contactSheet({ ...large, thumbnails }))!).metadata();
    expect(width! * height!).toBeLessThan(30e6);
  });

  test('is not there where there is no picture', async () => {
    expect(await contactSheet({ ...report, thumbnails: new Map() })).toBeNull();
  });
});
