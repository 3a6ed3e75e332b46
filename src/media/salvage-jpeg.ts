// What can be shown of a JPEG with holes: the reader of `jpeg/` places what arrived, and this makes files of it.
import { findThumbnail } from './jpeg/exif-thumbnail.js';
import type { Gaps } from './jpeg/header.js';
import { concealPicture, gradeMap, markPicture } from './jpeg/mark-picture.js';
import { coarse, type HoledFacts, likely, missing, readHoledJpeg, sure } from './jpeg/read-holed-jpeg.js';
import { writeJpeg } from './jpeg/write-jpeg.js';
import { openPicture } from './picture.js';

export type JpegSalvage = {
  /** A standard JPEG of the placed MCUs, their coefficients as they were sent; what is missing is flat grey. */
  readonly jpeg: Buffer;
  /** The same to look at: hatched where nothing arrived, shining through where it is not sure. */
  readonly png: Buffer;
  /** One pixel per MCU. */
  readonly gradeMap: Buffer;
  /** The thumbnail of the header, where it is whole. */
  readonly thumbnail: Buffer | null;
  /** Holes interpolated; only where asked for. */
  readonly concealed: Buffer | null;
  readonly facts: HoledFacts;
  /** Plain sentences: what is shown and what is not. */
  readonly note: string;
};

export type JpegSalvageOptions = {
  /** Headers of whole files of the same sender, for one whose own is lost; default none. */
  readonly knownHeaders?: readonly Uint8Array[];
  /** Also make a picture whose holes are interpolated; default false. */
  readonly conceal?: boolean;
};

/**
 * @param bytes the file, anything in its gaps; not kept
 * @param gaps missing ranges, half open, in order, disjoint
 * @returns `null` where nothing of it can be shown
 */
export async function salvageJpeg(
  bytes: Uint8Array,
  gaps: Gaps,
  options: JpegSalvageOptions = {},
): Promise<JpegSalvage | null> {
  const rebuilt = rebuild(bytes, gaps, options.knownHeaders ?? []);
  const png = rebuilt && (await markPicture(rebuilt.jpeg, rebuilt.facts));
  if (!png) return null;
  const { jpeg, facts } = rebuilt;
  return {
    jpeg,
    png,
    gradeMap: await gradeMap(facts),
    thumbnail: await wholeThumbnail(bytes, gaps),
    concealed: options.conceal ? await concealPicture(jpeg, facts) : null,
    facts,
    note: describe(facts),
  };
}

/** The coefficients, which take more memory than all else, end here. */
function rebuild(
  bytes: Uint8Array,
  gaps: Gaps,
  known: readonly Uint8Array[],
): { jpeg: Buffer; facts: HoledFacts } | null {
  const holed = readHoledJpeg(bytes, gaps, known);
  if (!holed) return null;
  // Exif tells how to turn the picture, profiles tell its colours; what has a hole would only be in the way.
  const extras = holed.extras.map(([start, end]) => bytes.subarray(start, end));
  const { layout, grades, progressive, borrowedHeader, solvedSize, unplaced } = holed;
  const { width, height } = holed.frame;
  const jpeg = writeJpeg(holed, extras);
  giveBack(holed.store);
  return {
    jpeg,
    facts: { layout, grades, progressive, borrowedHeader, solvedSize, unplaced, width, height },
  };
}

/** Frees the memory at once, not at the next collection: the decoder of the rebuilt file is about to ask for as much. */
function giveBack({ buffer }: Int16Array<ArrayBufferLike>): void {
  const { port1, port2 } = new MessageChannel();
  port1.postMessage(null, [buffer as ArrayBuffer]);
  port1.close();
  port2.close();
}

async function wholeThumbnail(bytes: Uint8Array, gaps: Gaps): Promise<Buffer | null> {
  const found = findThumbnail(bytes, gaps);
  if (!found) return null;
  try {
    await openPicture(found, 'error').resize(16, 16, { fit: 'fill' }).raw().toBuffer();
    return Buffer.from(found);
  } catch {
    return null;
  }
}

function describe({ grades, progressive, borrowedHeader, solvedSize, unplaced }: HoledFacts): string {
  const share = (grade: number) => grades.reduce((sum, g) => sum + (g === grade ? 1 : 0), 0) / grades.length;
  const percent = (part: number) => `${part > 0.999 && part < 1 ? '99.9' : (100 * part).toFixed(1)} %`;
  const shown = 1 - share(missing);
  const sentences = [
    `${percent(shown)} of the picture is shown: ${percent(share(sure))} surely in its place and brightness.`,
  ];
  if (share(likely) > 0) sentences.push(`${percent(share(likely))} is likely to be right; it shines through a little.`);
  if (share(coarse) > 0) {
    const why = progressive
      ? 'not all of its detail came, or its place or brightness is uncertain'
      : 'its place or brightness is uncertain';
    sentences.push(`${percent(share(coarse))} is coarse: ${why}.`);
  }
  if (shown < 1) sentences.push('The hatched rest is missing.');
  if (unplaced > 0) sentences.push(`${percent(unplaced / grades.length)} arrived but could not be placed.`);
  if (borrowedHeader) sentences.push('Its header is lost: that of another file of the campaign was used.');
  if (solvedSize) sentences.push('Its size was found from the picture itself, and may be off by less than a block.');
  return sentences.join(' ');
}
