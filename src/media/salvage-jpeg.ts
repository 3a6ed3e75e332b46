// What can be shown of a JPEG that is cut: ITU-T T.81. Entropy-coded data cannot be read past a gap, and a decoder does
// not tell how far it came: it invents the rest. So the same start is decoded with several different continuations;
// rows that come out the same whatever follows do not depend on what is missing.
import { type JpegStructure, readJpegStructure } from './jpeg-structure.js';
import { decodePixels, type Pixels } from './picture.js';
import { rowsShown, type TrustedRows } from './trusted-rows.js';

const endOfImage = Buffer.from([0xff, 0xd9]);
const tailBytes = 256;

/** What continuations are made of: opposite first bits, then unlike each other; never 0xFF, which begins a marker. */
const fillings: readonly Buffer[] = [Buffer.alloc(tailBytes, 0x00), Buffer.alloc(tailBytes, 0xaa), mixed(1), mixed(2)];

/**
 * Decodes the part of a JPEG before its first gap.
 *
 * @param start the file's bytes before the gap; not kept
 * @returns `null` where no row can be shown
 */
export async function salvageJpeg(start: Buffer): Promise<TrustedRows | null> {
  const structure = readJpegStructure(start);
  if (structure === null) return null;
  if (structure.complete) return exact(await decodePixels(start, 'none'));
  const layered = structure.progressive || structure.scans[0]!.components.length < structure.components.length;
  if (!layered) return upperRows(start, structure, 1, '');
  const completeScans = structure.scans.filter((scan) => scan.end !== null);
  if (completeScans.length > 0) return coarsePicture(start, structure);
  // Decoders smooth what the first scan gives over the blocks next to it, up to two of them.
  return upperRows(start, structure, 2 * structure.mcuRows, ` ${coarseNote(structure)}`);
}

function exact(pixels: Pixels | null): TrustedRows | null {
  if (pixels === null) return null;
  return { pixels, rows: pixels.height, note: 'The whole picture is shown: what is missing lies behind its last row.' };
}

/** @param margin rows above the first doubtful one that its content can still change */
async function upperRows(
  start: Buffer,
  structure: JpegStructure,
  margin: number,
  remark: string,
): Promise<TrustedRows | null> {
  // A last 0xFF is half of a stuffed byte or of a marker.
  const known = start.at(-1) === 0xff ? start.subarray(0, -1) : start;
  const pixels = await decodePixels(Buffer.concat([known, endOfImage]), 'none');
  if (pixels === null) return null;
  // Where the cut falls at the end of a restart interval, the decoder ignores all up to the next restart.
  const restart = nextRestart(known.subarray(structure.scans[0]!.start));
  let rows = structure.height;
  for (const filling of fillings) {
    const other = await decodePixels(Buffer.concat([known, filling, restart, filling, endOfImage]), 'none');
    if (other === null) return null;
    rows = rowsAlike(pixels, other, rows);
  }
  // A doubtful block may differ only in its lower rows.
  if (rows < structure.height) rows = rows - (rows % structure.mcuRows) - margin;
  return rows <= 0 ? null : { pixels, rows, note: rowsShown(rows, structure.height) + remark };
}

/** Only whole scans: each refines all rows, so none of them needs a mark, but none is exact. */
async function coarsePicture(start: Buffer, structure: JpegStructure): Promise<TrustedRows | null> {
  const end = structure.scans.findLast((scan) => scan.end !== null)?.end ?? 0;
  const pixels = await decodePixels(Buffer.concat([start.subarray(0, end), endOfImage]), 'none');
  return pixels && { pixels, rows: pixels.height, note: `All rows are shown. ${coarseNote(structure)}` };
}

function coarseNote({ scans, components }: JpegStructure): string {
  const whole = scans.filter((scan) => scan.end !== null);
  const seen = new Set((whole.length > 0 ? whole : scans).flatMap((scan) => scan.components));
  const colour = components.every((id) => seen.has(id)) ? '' : ' Colours are missing.';
  const count = whole.length === 0 ? 'only part of its first scan' : `${whole.length} of its scans`;
  return `The picture is coarse: it is sent in scans from rough to fine, and ${count} arrived before the first gap, so the pixels shown are not exact.${colour}`;
}

function rowsAlike(a: Pixels, b: Pixels, rows: number): number {
  const rowBytes = 4 * a.width;
  for (let y = 0; y < rows; y++) {
    const row = a.data.subarray(y * rowBytes, (y + 1) * rowBytes);
    if (!row.equals(b.data.subarray(y * rowBytes, (y + 1) * rowBytes))) return y;
  }
  return rows;
}

/** The restart marker due next: they count from 0 to 7 and round again. */
function nextRestart(scan: Buffer): Buffer {
  let at = scan.lastIndexOf(0xff);
  while (at >= 0 && !isRestart(scan[at + 1])) at = at === 0 ? -1 : scan.lastIndexOf(0xff, at - 1);
  return Buffer.from([0xff, at < 0 ? 0xd0 : 0xd0 + ((scan[at + 1]! + 1) & 7)]);
}

function isRestart(marker: number | undefined): boolean {
  return marker !== undefined && marker >= 0xd0 && marker <= 0xd7;
}

/** Bytes 0 to 254 by a multiplicative congruential generator (modulus 2^31 - 1, multiplier 48271, from memory). */
function mixed(seed: number): Buffer {
  let state = seed;
  const next = () => {
    state = (state * 48271) % 0x7fffffff;
    return (state >> 8) % 255;
  };
  return Buffer.from(Array.from({ length: tailBytes }, next));
}
