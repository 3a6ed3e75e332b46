// What can be shown of a PNG with holes: PNG specification (third edition), chunks, filters and interlacing. Up to the first hole every
// byte is known; behind it decoding falls in step again, and rows show what does not look back across the hole. That pays where rows are
// saved unfiltered, or from the left: of photographs at 1 % loss 6 % of the pixels lie before the first hole, 87 % are determined at
// most and 48 % are shown (test/bench/salvage-png.ts). Where all rows look up to the one above nothing can be won, and nothing is tried.
import { constants, inflateSync } from 'node:zlib';
import { crc32 } from '../bytes/crc.js';
import { decodePixels, pixelLimit } from './picture.js';
import { findPieces } from './png/find-pieces.js';
import { type ImageData, readImageData } from './png/image-data.js';
import { inflatePieces, undoFilters } from './png/known-rows.js';
import { placePieces } from './png/place-pieces.js';
import { pixelsShown, type ShownPixels } from './shown-pixels.js';
import { HoledBytes } from './video/holed-bytes.js';

type Header = { width: number; height: number; pixelBits: number; interlaced: boolean };

/** Samples per pixel by colour type: grey, colour, palette index, grey and alpha, colour and alpha. */
const samples: Readonly<Record<number, number>> = { 0: 1, 2: 3, 3: 1, 4: 2, 6: 4 };
/** Interlaced passes: first column, first row, step between columns, step between rows. */
const adam7 = [
  [0, 0, 8, 8],
  [4, 0, 8, 8],
  [0, 4, 4, 8],
  [2, 0, 4, 4],
  [0, 2, 2, 4],
  [1, 0, 2, 2],
  [0, 1, 1, 2],
] as const;

/**
 * Decodes what arrived of a PNG.
 *
 * @param bytes the file, anything in its gaps; not changed, not kept
 * @param gaps missing ranges, half open
 * @returns `null` where no pixel can be shown; of an interlaced picture only what comes before the first hole is, every second row
 *   comes last, and without those nothing is shown yet
 */
export function salvagePng(
  bytes: Buffer,
  gaps: Iterable<readonly [start: number, end: number]>,
): Promise<ShownPixels | null> {
  // Not async: so the file and its rows, which are large, are let go before the pixels come.
  const known = writeKnown(bytes, gaps);
  return known ? decodeKnown(known) : Promise.resolve(null);
}

/** What is known as a whole PNG, and which of its pixels are. */
type Known = { readonly png: Buffer; readonly shown: Uint8Array; readonly header: Header };

function writeKnown(bytes: Buffer, gaps: Iterable<readonly [start: number, end: number]>): Known | null {
  const parts = readImageData(new HoledBytes(bytes, gaps));
  const header = parts && readHeader(parts.head);
  if (!parts || !header) return null;
  const read = header.interlaced ? readInterlaced(parts, header) : readRows(parts, header);
  if (!read?.shown.includes(1)) return null;
  return { png: storedPng(parts.head, read.rows), shown: read.shown, header };
}

async function decodeKnown({ png, shown, header }: Known): Promise<ShownPixels | null> {
  const pixels = await decodePixels(png, 'error');
  return pixels && { pixels, shown, note: pixelsShown(shown, header.width, header.height) };
}

/** Rows to be decoded, and which pixels of them are known. */
type Rows = { readonly rows: Buffer; readonly shown: Uint8Array };

function readRows({ data }: ImageData, header: Header): Rows {
  const { width, height, pixelBits } = header;
  const rowBytes = 1 + Math.ceil((width * pixelBits) / 8);
  const total = rowBytes * height;
  const pieces = findPieces(data, rowBytes, total);
  const rows = inflatePieces(data, pieces, placePieces(pieces, rowBytes, total), total);
  undoFilters(rows, rowBytes, Math.max(1, pixelBits >> 3));
  const shown = new Uint8Array(width * height);
  for (let y = 0; y < height; y++) {
    const row = y * rowBytes + 1;
    for (let x = 0; x < width; x++) {
      const first = row + ((x * pixelBits) >> 3);
      const last = row + (((x + 1) * pixelBits - 1) >> 3);
      let known = 1;
      for (let at = first; at <= last; at++) known &= rows.known[at]!;
      shown[y * width + x] = known;
    }
  }
  return { rows: rows.bytes, shown };
}

function readInterlaced({ data }: ImageData, header: Header): Rows | null {
  const passes = filteredRows(header);
  const total = passes.reduce((sum, pass) => sum + pass.rows * pass.rowBytes, 0);
  const known = inflateStart(data.bytes.subarray(0, data.knownEnd(0)), total);
  if (!known) return null;
  const rows = Buffer.concat([known, Buffer.alloc(total - known.length)], total);
  const shown = new Uint8Array(header.width * header.height).fill(
    1,
    0,
    header.width * rowsKnown(header, passes, known.length),
  );
  return { rows, shown };
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

/** The rows of the seven passes as they are deflated; `rowBytes` with the filter byte. */
function filteredRows({ width, height, pixelBits }: Header): { rows: number; rowBytes: number }[] {
  return adam7.map(([column, row, columnStep, rowStep]) => {
    const columns = Math.ceil(Math.max(0, width - column) / columnStep);
    const rows = columns === 0 ? 0 : Math.ceil(Math.max(0, height - row) / rowStep);
    return { rows, rowBytes: 1 + Math.ceil((columns * pixelBits) / 8) };
  });
}

function inflateStart(data: Buffer, total: number): Buffer | null {
  try {
    // A flush instead of a finish: the end of the stream is not expected.
    return inflateSync(data, { finishFlush: constants.Z_SYNC_FLUSH, maxOutputLength: total });
  } catch {
    return null;
  }
}

/** How many rows of the interlaced picture, from the top, lie whole in the first `bytes` of the filtered rows. */
function rowsKnown({ height }: Header, passes: { rows: number; rowBytes: number }[], bytes: number): number {
  const before = passes.slice(0, -1).reduce((sum, pass) => sum + pass.rows * pass.rowBytes, 0);
  const lastRows = Math.floor(Math.max(0, bytes - before) / passes.at(-1)!.rowBytes);
  // The last pass is the picture's rows 1, 3, 5 and so on.
  return bytes < before ? 0 : Math.min(height, 1 + 2 * lastRows);
}

const storedBytes = 0xffff;

/** A PNG with these rows, in stored blocks (RFC 1951, 3.2.4): written once where it stays, since it may be large. */
function storedPng(head: Buffer, rows: Buffer): Buffer {
  const blocks = Math.ceil(rows.length / storedBytes);
  const dataBytes = 2 + 5 * blocks + rows.length + 4;
  const png = Buffer.alloc(head.length + 12 + dataBytes + 12);
  let at = head.copy(png);
  at = png.writeUInt32BE(dataBytes, at) + png.write('IDAT', at + 4, 'latin1');
  const start = at - 4;
  at = png.writeUInt16BE(0x7801, at);
  for (let from = 0; from < rows.length; from += storedBytes) {
    const length = Math.min(storedBytes, rows.length - from);
    at = png.writeUInt8(from + length === rows.length ? 1 : 0, at);
    at = png.writeUInt16LE(length, at);
    at = png.writeUInt16LE(length ^ 0xffff, at);
    at += rows.copy(png, at, from, from + length);
  }
  at = png.writeUInt32BE(adler32(rows), at);
  at = png.writeUInt32BE(crc32(png, start, at), at);
  at = png.writeUInt32BE(0, at) + png.write('IEND', at + 4, 'latin1');
  png.writeUInt32BE(crc32(png, at - 4, at), at);
  return png;
}

/** The check value of zlib (RFC 1950, 2.2). */
function adler32(bytes: Buffer): number {
  let [a, b] = [1, 0];
  for (let from = 0; from < bytes.length; from += 5552) {
    // So many sums stay within 32 bits.
    for (let i = from; i < Math.min(bytes.length, from + 5552); i++) {
      a += bytes[i]!;
      b += a;
    }
    [a, b] = [a % 65521, b % 65521];
  }
  return b * 65536 + a;
}
