// The picture that is written of a PNG with holes: pixels that are not known are replaced by a hatch of grey stripes on nothing. It is
// decoded and encoded a few rows at a time, each time as a small PNG of its own: palettes, profiles and depths stay the decoder's affair.
import { deflateSync } from 'node:zlib';
import { crc32 } from '../../bytes/crc.js';
import { hatchPeriod, isStripe, STRIPE } from '../hatch.js';
import { decodePixels } from '../picture.js';
import type { BitSet } from './bit-set.js';
import { chunk, writePng } from './write-png.js';

export type KnownPicture = {
  /** Signature and chunks before the image data. */
  readonly head: Buffer;
  readonly width: number;
  readonly height: number;
  /** Rows `[start, end)`, not interlaced, each with filter type 0. */
  readonly rows: (start: number, end: number) => Buffer;
  /** Pixels, row by row. */
  readonly shown: BitSet;
};

/** Decoded at a time. */
const stripeBytes = 1 << 19;

/** @returns the parts of the file, in order, or `null` where the decoder finds fault with the head */
export async function hatchedPng(picture: KnownPicture): Promise<Buffer[] | null> {
  const { head, width, height } = picture;
  // A large head is not read too often.
  const step = Math.ceil(Math.max(stripeBytes, 4 * head.length) / (4 * width));
  let isDecoded = true;
  async function* stripes(): AsyncGenerator<Buffer> {
    for (let y = 0; y < height && isDecoded; y += step) {
      const pixels = await decodeStripe(picture, y, Math.min(height, y + step));
      if (!pixels) isDecoded = false;
      else yield hatched(pixels, picture, y);
    }
  }
  const parts = await writePng(width, height, stripes());
  return isDecoded ? parts : null;
}

/** Rows `[start, end)`, 4 bytes a pixel. */
async function decodeStripe(picture: KnownPicture, start: number, end: number): Promise<Buffer | null> {
  const { width, rows, shown } = picture;
  if (!shown.hasAny(start * width, end * width)) return Buffer.alloc(4 * width * (end - start));
  const head = Buffer.from(picture.head);
  head.writeUInt32BE(end - start, 20);
  head[28] = 0; // not interlaced
  head.writeUInt32BE(crc32(head, 12, 29), 29);
  const data = deflateSync(rows(start, end), { level: 0 });
  const png = Buffer.concat([head, ...chunk('IDAT', data), ...chunk('IEND', Buffer.alloc(0))]);
  return (await decodePixels(png, 'error'))?.data ?? null;
}

/** @param pixels written over. @param top row of the picture that they begin with */
function hatched(pixels: Buffer, { width, shown }: KnownPicture, top: number): Buffer {
  const period = hatchPeriod(width);
  const stripe = Buffer.from(STRIPE).readUInt32BE();
  const rows = pixels.length / (4 * width);
  for (let y = top; y < top + rows; y++) {
    if (shown.hasAll(y * width, (y + 1) * width)) continue;
    for (let x = 0, at = 4 * width * (y - top); x < width; x++, at += 4) {
      if (!shown.has(y * width + x)) pixels.writeUInt32BE(isStripe(x, y, period) ? stripe : 0, at);
    }
  }
  return pixels;
}
