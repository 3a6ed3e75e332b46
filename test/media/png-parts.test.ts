// The parts of the PNG salvage that stand alone. Judges: libpng by way of sharp for rows and files, JavaScript's own Set for the set of bits.
import { deflateSync } from 'node:zlib';
import fc from 'fast-check';
import sharp, { type Sharp } from 'sharp';
import { expect, test } from 'vitest';
import { crc32 } from '../../src/bytes/crc.js';
import { BitSet } from '../../src/media/png/bit-set.js';
import { readImageData } from '../../src/media/png/image-data.js';
import { passesOf, plainRows } from '../../src/media/png/interlace.js';
import { inflateStart, undoFilters } from '../../src/media/png/known-rows.js';
import { chunk, writePng } from '../../src/media/png/write-png.js';
import { HoledBytes } from '../../src/media/video/holed-bytes.js';
import { drawPicture } from './drawn.js';

const size = 200;
const place = fc.nat({ max: size - 1 });
const range = fc.tuple(place, fc.nat({ max: size })).map(([a, b]) => [Math.min(a, b), Math.max(a, b)] as const);

test('a set of bits holds what was put in and not taken out', () => {
  const steps = fc.array(fc.tuple(fc.constantFrom('add', 'delete', 'range'), range));
  fc.assert(
    fc.property(steps, range, (all, [from, to]) => {
      const [bits, numbers] = [new BitSet(size), new Set<number>()];
      for (const [what, [start, end]] of all) {
        if (what === 'range') {
          bits.addRange(start, end);
          for (let i = start; i < end; i++) numbers.add(i);
        } else {
          bits[what as 'add' | 'delete'](start);
          numbers[what as 'add' | 'delete'](start);
        }
      }
      for (let i = 0; i < size; i++) expect(bits.has(i)).toBe(numbers.has(i));
      const within = [...numbers].filter((i) => i >= from && i < to).length;
      expect(bits.hasAny(from, to)).toBe(within > 0);
      expect(bits.hasAll(from, to)).toBe(within === to - from);
      expect(bits.count()).toBe(numbers.size);
    }),
  );
});

const depths: Record<string, (picture: Sharp) => Sharp> = {
  'a palette of 2': (picture) => picture.threshold().png({ palette: true, colours: 2, progressive: true }),
  'a palette of 4': (picture) => picture.png({ palette: true, colours: 4, progressive: true }),
  'a palette of 16': (picture) => picture.png({ palette: true, colours: 16, progressive: true }),
  'a palette of 256': (picture) => picture.png({ palette: true, progressive: true }),
  colour: (picture) => picture.png({ progressive: true, adaptiveFiltering: true }),
  '16 bits': (picture) => picture.toColourspace('rgb16').png({ progressive: true }),
};

test.each(Object.entries(depths))('interlaced rows of %s are those of the decoder', async (_, save) => {
  for (const [width, height] of [
    [1, 1],
    [3, 2],
    [5, 9],
    [61, 43],
  ] as const) {
    const png = await save(drawPicture(width, height)).toBuffer();
    expect(png[28]).toBe(1);
    const given = { width, height, pixelBits: png[24]! * (png[25] === 2 ? 3 : 1) };
    const passes = passesOf(given);
    const total = passes.reduce((sum, pass) => sum + pass.rows * pass.rowBytes, 0);
    const { head, data } = readImageData(new HoledBytes(Buffer.from(png), []))!;
    const { rows, length } = inflateStart(data, total)!;
    expect(length).toBe(total);
    for (const { start, rows: count, rowBytes } of passes) {
      undoFilters(rows, rowBytes, Math.max(1, given.pixelBits >> 3), start, start + count * rowBytes);
    }
    const middle = height >> 1;
    const plain = [plainRows(rows.bytes, given, 0, middle), plainRows(rows.bytes, given, middle, height)];
    const content = deflateSync(Buffer.concat(plain));
    const file = Buffer.concat([plainHead(head), ...chunk('IDAT', content), ...chunk('IEND', Buffer.alloc(0))]);
    expect((await decoded(file)).equals(await decoded(png))).toBe(true);
  }
});

/** The same head, not interlaced. */
function plainHead(head: Buffer): Buffer {
  const plain = Buffer.from(head);
  plain[28] = 0;
  plain.writeUInt32BE(crc32(plain, 12, 29), 29);
  return plain;
}

function decoded(png: Buffer): Promise<Buffer> {
  return sharp(png, { failOn: 'warning' }).ensureAlpha().raw({ depth: 'ushort' }).toBuffer();
}

test('what is written in stripes is decoded to the pixels given', async () => {
  const [width, height] = [61, 40];
  const pixels = await drawPicture(width, height).ensureAlpha(0.5).raw().toBuffer();
  for (const stripeRows of [1, 7, 40]) {
    async function* stripes() {
      for (let at = 0; at < pixels.length; at += 4 * width * stripeRows) {
        yield Buffer.from(pixels.subarray(at, at + 4 * width * stripeRows));
      }
    }
    const png = Buffer.concat(await writePng(width, height, stripes()));
    const { data, info } = await sharp(png, { failOn: 'warning' }).raw().toBuffer({ resolveWithObject: true });
    expect(info).toMatchObject({ width, height, channels: 4 });
    expect(data.equals(pixels)).toBe(true);
  }
});

test('the image data of a file is joined where it lies, each gap with it', async () => {
  const png = await drawPicture(200, 150).png({ compressionLevel: 0 }).toBuffer();
  const parts: Buffer[] = [];
  const places: number[] = [];
  for (let at = 8; at < png.length; at += 12 + png.readUInt32BE(at)) {
    if (png.toString('latin1', at + 4, at + 8) !== 'IDAT') continue;
    parts.push(Buffer.from(png.subarray(at + 8, at + 8 + png.readUInt32BE(at))));
    places.push(at + 8);
  }
  expect(parts.length).toBeGreaterThan(2);
  const { data } = readImageData(new HoledBytes(Buffer.from(png), [[places[1]! + 5, places[1]! + 9]]))!;
  expect(data.bytes.equals(Buffer.concat(parts))).toBe(true);
  expect(data.gaps).toEqual([parts[0]!.length + 5, parts[0]!.length + 9]);
});
