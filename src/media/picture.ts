// Opening an untrusted picture with sharp: from memory, because sharp reads options out of file names and caches by
// path, and within limits that keep a small hostile file from filling the machine.
import { readFile, stat } from 'node:fs/promises';
import type { Sharp } from 'sharp';
import { sharpLibrary } from './sharp-library.js';

/** 100 megapixels: more than the cameras this is for, and 400 MB decoded. */
export const pixelLimit = 100_000_000;

/** Larger files are not opened as pictures. */
export const fileBytesLimit: number = 256 << 20;

/** A decoded picture: 8-bit sRGB with alpha, 4 bytes a pixel, rows from the top, as stored (not turned upright). */
export type Pixels = { readonly data: Buffer; readonly width: number; readonly height: number };

/**
 * @param failOn `error` for a file that should be whole, `none` to take what the decoder can get
 * @returns nothing is decoded yet: the sharp pipeline rejects when it runs on a picture that is bad or too large
 */
export function openPicture(bytes: Uint8Array, failOn: 'error' | 'none', animated = false): Sharp {
  return sharpLibrary()(bytes, { failOn, animated, limitInputPixels: pixelLimit });
}

/** All pixels of the picture, or `null` where it cannot be opened. */
export async function decodePixels(bytes: Uint8Array, failOn: 'error' | 'none'): Promise<Pixels | null> {
  try {
    const picture = openPicture(bytes, failOn).toColourspace('srgb').ensureAlpha().raw({ depth: 'uchar' });
    const { data, info } = await picture.toBuffer({ resolveWithObject: true });
    return info.channels === 4 ? { data, width: info.width, height: info.height } : null;
  } catch {
    return null;
  }
}

/** The file's bytes, or `null` where there are more of them than a picture may have. */
export async function readPictureFile(path: string): Promise<Buffer | null> {
  return (await stat(path)).size > fileBytesLimit ? null : readFile(path);
}
