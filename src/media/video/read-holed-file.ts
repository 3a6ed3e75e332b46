// Reads a file with holes in its full size.
import { readFile } from 'node:fs/promises';
import { HoledBytes } from './holed-bytes.js';

/**
 * @param gaps missing ranges, half open
 * @param bytes size of the whole file; where the file at `path` is shorter, its end is missing too, and stands as zeros
 * @throws the system's error where it cannot be read
 */
export async function readHoledFile(
  path: string,
  gaps: readonly (readonly [start: number, end: number])[],
  bytes: number,
): Promise<HoledBytes> {
  const read = await readFile(path);
  if (read.length >= bytes) return new HoledBytes(read, gaps);
  const padded = Buffer.concat([read, Buffer.alloc(bytes - read.length)], bytes);
  return new HoledBytes(padded, [...gaps, [read.length, bytes]]);
}
