// Writes a PNG (PNG specification, third edition, 5.3 and 11.2): in parts, so that the pixels of a large picture are never all there.
import { Readable } from 'node:stream';
import { pipeline } from 'node:stream/promises';
import { createDeflate } from 'node:zlib';
import { crc32 } from '../../bytes/crc.js';

const signature = Buffer.from('89504e470d0a1a0a', 'hex');
const rgba = 6;
const up = 2;
/** More takes longer than it saves, the differences to the row above being what they are. */
const level = 2;
const partBytes = 1 << 20;

/**
 * Writes pixels of 8-bit red, green, blue and alpha.
 *
 * @param stripes whole rows of pixels, 4 bytes each, from the top; not kept
 * @returns the parts of the file, in order
 * @throws what reading `stripes` throws
 */
export async function writePng(width: number, height: number, stripes: AsyncIterable<Buffer>): Promise<Buffer[]> {
  const header = Buffer.alloc(13);
  header.writeUInt32BE(width, 0);
  header.writeUInt32BE(height, 4);
  header.set([8, rgba], 8);
  const parts = [signature, ...chunk('IHDR', header)];
  await pipeline(
    Readable.from(filtered(stripes, 4 * width), { highWaterMark: 1 }),
    createDeflate({ level, chunkSize: partBytes }),
    async (deflated: AsyncIterable<Buffer>) => {
      for await (const part of deflated) parts.push(...chunk('IDAT', part));
    },
  );
  parts.push(...chunk('IEND', Buffer.alloc(0)));
  return parts;
}

/** Length, type and content, and the check value over the last two. The content is not copied. */
export function chunk(type: string, content: Buffer): Buffer[] {
  const [begin, end] = [Buffer.alloc(8), Buffer.alloc(4)];
  begin.writeUInt32BE(content.length, 0);
  begin.write(type, 4, 'latin1');
  end.writeUInt32BE(crc32(content, 0, content.length, crc32(begin, 4, 8)), 0);
  return [begin, content, end];
}

/** Each row as its differences to the one above. */
async function* filtered(stripes: AsyncIterable<Buffer>, bytes: number): AsyncGenerator<Buffer> {
  let above: Uint8Array = new Uint8Array(bytes);
  for await (const stripe of stripes) {
    const rows = stripe.length / bytes;
    const out = Buffer.allocUnsafe(rows * (1 + bytes));
    for (let y = 0; y < rows; y++) {
      const row = stripe.subarray(y * bytes, (y + 1) * bytes);
      const at = y * (1 + bytes);
      out[at] = up;
      for (let i = 0; i < bytes; i++) out[at + 1 + i] = row[i]! - above[i]!;
      above = row;
    }
    above = Uint8Array.from(above);
    yield out;
  }
}
