// The small picture that many cameras put into the header (Exif 2.3, a JPEG of its own in APP1): it is whole more often than the
// picture itself.
import { type Gaps, gapAfter } from './header.js';

const largestBytes = 65_536;

/**
 * Finds the thumbnail in the header of a JPEG file.
 *
 * @param gaps missing ranges, half open, in order, disjoint
 * @returns a view of its bytes, or `null` where there is none or it is not whole
 */
export function findThumbnail(bytes: Uint8Array, gaps: Gaps): Uint8Array | null {
  const file = Buffer.from(bytes.buffer, bytes.byteOffset, Math.min(bytes.length, 4 * largestBytes));
  const exif = file.indexOf('Exif\0\0', 2, 'latin1');
  if (exif < 0 || exif > largestBytes) return null;
  const start = file.indexOf(Buffer.from([0xff, 0xd8, 0xff]), exif);
  const end = start < 0 ? -1 : file.indexOf(Buffer.from([0xff, 0xd9]), start);
  if (end < 0 || end - exif > largestBytes) return null;
  const gap = gapAfter(gaps, start);
  return gap && gap[0] < end + 2 ? null : bytes.subarray(start, end + 2);
}
