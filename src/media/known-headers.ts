// What a whole picture or clip lends to others of the same camera whose own start or index is lost: the header of a JPEG, the
// parameter sets of a clip as a byte stream. Files of one camera at one setting have them in common, byte for byte (measured).
import { readFile, stat } from 'node:fs/promises';
import { extractJpegHeader } from './jpeg/read-holed-jpeg.js';
import { readPictureFile } from './picture.js';
import type { MediaFormat } from './recognise.js';
import { HoledBytes } from './video/holed-bytes.js';
import { readClip } from './video/read-clip.js';

/** Larger clips are not read for it. */
const MAX_CLIP_BYTES = 256 << 20;
const START_CODE = Buffer.from([0, 0, 0, 1]);

export type KnownHeader = { readonly kind: 'picture' | 'video'; readonly bytes: Buffer };

/**
 * @param path a whole file
 * @returns `null` where it has nothing to lend
 * @throws the system's error where the file cannot be read; never for its content
 */
export async function readKnownHeader(path: string, { kind, format }: MediaFormat): Promise<KnownHeader | null> {
  if (format === 'jpeg') {
    const bytes = await readPictureFile(path);
    const header = bytes && extractJpegHeader(bytes);
    return header ? { kind: 'picture', bytes: Buffer.from(header) } : null;
  }
  if (kind !== 'video' || (await stat(path)).size > MAX_CLIP_BYTES) return null;
  const sets = readClip(new HoledBytes(await readFile(path), []), [])?.parameterSets ?? [];
  return sets.length === 0 ? null : { kind: 'video', bytes: Buffer.concat(sets.flatMap((set) => [START_CODE, set])) };
}
