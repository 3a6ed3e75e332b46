// What can be shown of a PNG with holes: PNG specification (third edition), chunks, filters and interlacing. Up to the first hole every
// byte is known; behind it decoding falls in step again, and rows show what does not look back across the hole. That pays where rows are
// saved unfiltered, or from the left: of photographs at 1 % loss 6 % of the pixels lie before the first hole, 87 % are determined at
// most and 48 % are shown (test/bench/salvage-png.ts). Where all rows look up to the one above nothing can be won, and nothing is tried.
import { crc32 } from '../bytes/crc.js';
import { pixelLimit } from './picture.js';
import { BitSet } from './png/bit-set.js';
import { findPieces } from './png/find-pieces.js';
import { hatchedPng, type KnownPicture } from './png/hatched-png.js';
import { type ImageData, readImageData } from './png/image-data.js';
import { type Pass, passesOf, plainRows } from './png/interlace.js';
import { inflatePieces, inflateStart, type KnownRows, undoFilters } from './png/known-rows.js';
import { placePieces } from './png/place-pieces.js';
import { HoledBytes } from './video/holed-bytes.js';

type Header = { width: number; height: number; pixelBits: number; interlaced: boolean };

/** A PNG to look at: what is known as it is, the rest hatched. */
export type SalvagedPng = {
  /** The file's parts, in order. */
  readonly png: readonly Buffer[];
  /** Plain sentences: what is shown and what is not. */
  readonly note: string;
};

/** Samples per pixel by colour type: grey, colour, palette index, grey and alpha, colour and alpha. */
const samples: Readonly<Record<number, number>> = { 0: 1, 2: 3, 3: 1, 4: 2, 6: 4 };

/**
 * Shows what arrived of a PNG.
 *
 * @param bytes the file, anything in its gaps; written over, not kept
 * @param gaps missing ranges, half open
 * @returns `null` where no pixel can be shown; of an interlaced picture only what comes before the first hole is, every second row
 *   comes last, and without those nothing is shown yet
 */
export function salvagePng(
  bytes: Buffer,
  gaps: Iterable<readonly [start: number, end: number]>,
): Promise<SalvagedPng | null> {
  // Not async: so the file, which is large, is let go before the pixels come.
  const known = readKnown(bytes, gaps);
  return known ? show(known) : Promise.resolve(null);
}

async function show(known: KnownPicture): Promise<SalvagedPng | null> {
  const png = await hatchedPng(known);
  return png && { png, note: pixelsShown(known) };
}

/** The sentence about what is shown, for the note. */
function pixelsShown({ shown, width, height }: KnownPicture): string {
  const total = width * height;
  if (shown.hasAll(0, total)) return `All ${height} pixel rows are shown.`;
  let rows = 0;
  while (shown.hasAll(rows * width, (rows + 1) * width)) rows++;
  const top = `The top ${rows} of ${height} pixel rows are shown`;
  if (!shown.hasAny((rows + 1) * width, total)) return `${top}; the hatched rest is missing.`;
  const percent = Math.min(99.9, (100 * shown.count()) / total).toFixed(1);
  return `${percent} % of the picture is shown, row by row from where a hole leaves off. The hatched rest is missing.`;
}

function readKnown(bytes: Buffer, gaps: Iterable<readonly [start: number, end: number]>): KnownPicture | null {
  const parts = readImageData(new HoledBytes(bytes, gaps));
  const header = parts && readHeader(parts.head);
  if (!parts || !header) return null;
  // A copy, and so the file is not kept for it.
  const head = Buffer.from(parts.head);
  const { width, height } = header;
  const read = header.interlaced ? readInterlaced(parts, header) : readRows(parts, header);
  return read?.shown.hasAny(0, width * height) ? { head, width, height, ...read } : null;
}

/** Rows to be decoded, and which pixels of them are known. */
type Rows = Pick<KnownPicture, 'rows' | 'shown'>;

function readRows({ data }: ImageData, header: Header): Rows {
  const { width, height, pixelBits } = header;
  const rowBytes = 1 + Math.ceil((width * pixelBits) / 8);
  const total = rowBytes * height;
  const pieces = findPieces(data, rowBytes, total);
  const rows = inflatePieces(data, pieces, placePieces(pieces, rowBytes, total), total);
  undoFilters(rows, rowBytes, leftOf(header));
  const { bytes } = rows;
  return {
    rows: (start, end) => bytes.subarray(start * rowBytes, end * rowBytes),
    shown: pixelsKnown(rows, header, rowBytes),
  };
}

function pixelsKnown({ known }: KnownRows, { width, height, pixelBits }: Header, rowBytes: number): BitSet {
  const shown = new BitSet(width * height);
  for (let y = 0; y < height; y++) {
    const row = y * rowBytes + 1;
    if (known.hasAll(row, row + rowBytes - 1)) shown.addRange(y * width, (y + 1) * width);
    else if (known.hasAny(row, row + rowBytes - 1)) {
      for (let x = 0; x < width; x++) {
        const first = row + ((x * pixelBits) >> 3);
        const last = row + (((x + 1) * pixelBits - 1) >> 3);
        if (known.hasAll(first, last + 1)) shown.add(y * width + x);
      }
    }
  }
  return shown;
}

function readInterlaced({ data }: ImageData, header: Header): Rows | null {
  const passes = passesOf(header);
  const total = passes.reduce((sum, pass) => sum + pass.rows * pass.rowBytes, 0);
  const start = inflateStart(data, total);
  if (!start) return null;
  const { rows, length } = start;
  for (const pass of passes) {
    undoFilters(rows, pass.rowBytes, leftOf(header), pass.start, pass.start + pass.rows * pass.rowBytes);
  }
  const shown = new BitSet(header.width * header.height);
  shown.addRange(0, header.width * rowsKnown(header, passes, length));
  const { bytes } = rows;
  return { rows: (from, to) => plainRows(bytes, header, from, to), shown };
}

function readHeader(head: Buffer): Header | null {
  if (head.length < 33 || head.toString('latin1', 12, 16) !== 'IHDR') return null;
  // Sizes that are not the picture's must not cost the memory for them.
  if (crc32(head, 12, 29) !== head.readUInt32BE(29)) return null;
  const width = head.readUInt32BE(16);
  const height = head.readUInt32BE(20);
  const pixelBits = head[24]! * (samples[head[25]!] ?? 0);
  if (width * height === 0 || width * height > pixelLimit || pixelBits === 0 || pixelBits > 64) return null;
  return { width, height, pixelBits, interlaced: head[28] === 1 };
}

/** Bytes to the one that stands left of a byte. */
function leftOf({ pixelBits }: Header): number {
  return Math.max(1, pixelBits >> 3);
}

/** How many rows of the interlaced picture, from the top, lie whole in the first `bytes` of the filtered rows. */
function rowsKnown({ height }: Header, passes: readonly Pass[], bytes: number): number {
  const { start, rowBytes } = passes.at(-1)!;
  const lastRows = Math.floor(Math.max(0, bytes - start) / rowBytes);
  // The last pass is the picture's rows 1, 3, 5 and so on.
  return bytes < start ? 0 : Math.min(height, 1 + 2 * lastRows);
}
