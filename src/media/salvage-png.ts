// What can be shown of a PNG that is cut: PNG specification (third edition), chunks, filters and interlacing. Inflating
// gives each byte exactly or not at all, so the rows before the gap are known for sure; a new PNG with those rows is
// built and decoded. Beginning again at a deflate block behind the gap does not pay: what it could give at best is 3 % of the pixels
// more at 1 % loss and 14 % at 0.1 % (measured bounds), and without the rows above it no filter can be undone.
import { constants, deflateSync, inflateSync } from 'node:zlib';
import { crc32 } from '../bytes/crc.js';
import { decodePixels, pixelLimit } from './picture.js';
import { rowsShown, type TrustedRows } from './trusted-rows.js';

type Header = { width: number; height: number; pixelBits: number; interlaced: boolean };

const signatureBytes = 8;
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
 * Decodes the part of a PNG before its first gap.
 *
 * @param start the file's bytes before the gap; not kept
 * @returns `null` where no row can be shown; of an interlaced picture every second row comes last, and without those
 *   nothing is shown yet
 */
export async function salvagePng(start: Buffer): Promise<TrustedRows | null> {
  const parts = readChunks(start);
  const header = parts && readHeader(parts.head);
  if (!parts || !header) return null;
  const passes = filteredRows(header);
  const total = passes.reduce((sum, pass) => sum + pass.rows * pass.rowBytes, 0);
  const known = inflateStart(parts.imageData, total);
  const rows = known && rowsKnown(header, passes, known.length);
  if (!known || !rows) return null;
  const filled = Buffer.concat([known, Buffer.alloc(total - known.length)], total);
  const whole = [parts.head, chunk('IDAT', deflateSync(filled, { level: 1 })), chunk('IEND', Buffer.alloc(0))];
  const pixels = await decodePixels(Buffer.concat(whole), 'error');
  return pixels && { pixels, rows, note: rowsShown(rows, header.height) };
}

/** All before the first IDAT as it is, and the joined content of the IDATs; `null` where no IDAT begins. */
function readChunks(start: Buffer): { head: Buffer; imageData: Buffer } | null {
  let head: Buffer | null = null;
  const pieces: Buffer[] = [];
  for (let at = signatureBytes; at + 8 <= start.length; ) {
    const length = start.readUInt32BE(at);
    if (start.toString('latin1', at + 4, at + 8) === 'IDAT') {
      head ??= start.subarray(0, at);
      pieces.push(start.subarray(at + 8, at + 8 + length));
    }
    at += 12 + length;
  }
  return head && { head, imageData: Buffer.concat(pieces) };
}

function readHeader(head: Buffer): Header | null {
  if (head.length < 33 || head.toString('latin1', 12, 16) !== 'IHDR') return null;
  const width = head.readUInt32BE(16);
  const height = head.readUInt32BE(20);
  const pixelBits = head[24]! * (samples[head[25]!] ?? 0);
  if (width * height === 0 || width * height > pixelLimit || pixelBits === 0 || pixelBits > 64) return null;
  return { width, height, pixelBits, interlaced: head[28] === 1 };
}

/** The rows as they are deflated: one pass, or the seven of an interlaced picture; `rowBytes` with the filter byte. */
function filteredRows({ width, height, pixelBits, interlaced }: Header): { rows: number; rowBytes: number }[] {
  const passes = interlaced ? adam7 : [[0, 0, 1, 1] as const];
  return passes.map(([column, row, columnStep, rowStep]) => {
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

/** How many rows of the picture, from the top, lie whole in the first `bytes` of the filtered rows. */
function rowsKnown(header: Header, passes: { rows: number; rowBytes: number }[], bytes: number): number {
  const last = passes.at(-1)!;
  const before = passes.slice(0, -1).reduce((sum, pass) => sum + pass.rows * pass.rowBytes, 0);
  const lastRows = Math.floor(Math.max(0, bytes - before) / last.rowBytes);
  // The last pass of an interlaced picture is its rows 1, 3, 5 and so on.
  return header.interlaced ? (bytes < before ? 0 : Math.min(header.height, 1 + 2 * lastRows)) : lastRows;
}

function chunk(type: string, data: Buffer): Buffer {
  const bytes = Buffer.alloc(12 + data.length);
  bytes.writeUInt32BE(data.length, 0);
  bytes.write(type, 4, 'latin1');
  data.copy(bytes, 8);
  bytes.writeUInt32BE(crc32(bytes, 4, 8 + data.length), 8 + data.length);
  return bytes;
}
