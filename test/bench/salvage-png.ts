// Whether it pays to begin again behind a hole in a PNG: the most that could be shown, by whole compressed streams walked symbol by
// symbol (RFC 1951) and filters undone (PNG specification, third edition, 9.2). Every start of a block and every place in the
// picture are taken as found without an error, so that no program can do better; beside it what is shown. Run: npx tsx test/bench/salvage-png.ts [FOLDER]
// The photographs come with `apt-get download python3-skimage`, or lie in the folder named; the drawings are made here.
import { execFileSync } from 'node:child_process';
import { mkdirSync, mkdtempSync, readdirSync, rmSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { inflateSync } from 'node:zlib';
import sharp, { type Sharp } from 'sharp';
import { salvagePng } from '../../src/media/salvage-png.js';
import { seededRandom } from '../../src/rehearsal/random.js';

/** Of each inflated byte: where its symbol lies in the stream, its block, and what it copies (-1: a literal). */
type Walk = { from: Uint32Array; to: Uint32Array; block: Uint32Array; source: Int32Array };
/** Where a block begins in the stream, and where its tables end. */
type Block = { start: number; tablesEnd: number };
type Stream = { data: Buffer; places: Uint32Array; walk: Walk; blocks: Block[]; rows: Buffer };

const segmentBytes = 1004;
const lengthBase = [
  3, 4, 5, 6, 7, 8, 9, 10, 11, 13, 15, 17, 19, 23, 27, 31, 35, 43, 51, 59, 67, 83, 99, 115, 131, 163, 195, 227, 258,
];
const lengthExtra = [0, 0, 0, 0, 0, 0, 0, 0, 1, 1, 1, 1, 2, 2, 2, 2, 3, 3, 3, 3, 4, 4, 4, 4, 5, 5, 5, 5, 0];
const orderOfLengths = [16, 17, 18, 0, 8, 7, 9, 6, 10, 5, 11, 4, 12, 3, 13, 2, 14, 1, 15];

const work = mkdtempSync(join(tmpdir(), 'passweave-png-'));
process.once('exit', () => rmSync(work, { recursive: true, force: true }));
const folder = process.argv[2] ?? fetchPhotographs();
const photograph = (name: string): Sharp => sharp(join(folder, name)).resize(1200).removeAlpha();
const pictures: Record<string, Sharp[]> = {
  photographs: ['coffee.png', 'rocket.jpg', 'motorcycle_left.png'].map(photograph),
  drawings: [1, 2, 3].map(drawing),
};
const savings: Record<string, (picture: Sharp) => Sharp> = {
  'level 6': (picture) => picture.png({ compressionLevel: 6 }),
  'level 6, filters chosen by row': (picture) => picture.png({ compressionLevel: 6, adaptiveFiltering: true }),
  'level 9, filters chosen by row': (picture) => picture.png({ compressionLevel: 9, adaptiveFiltering: true }),
};

console.log(
  '| pictures | saved at | segments | loss % | before the first hole | from block starts on | from any symbol on | bytes determined | shown | shown, wrong | s |',
);
console.log('|---|---|---|---|---|---|---|---|---|---|---|');
for (const [kind, some] of Object.entries(pictures)) {
  for (const [saving, save] of Object.entries(savings)) {
    const files = await Promise.all(some.map((picture) => save(picture.clone()).toBuffer()));
    const streams = files.map(readStream);
    for (const loss of [0.001, 0.01, 0.05, 0.2]) {
      const sum = { start: 0, blocks: 0, symbols: 0, bytes: 0, shown: 0, wrong: 0, seconds: 0, count: 0 };
      for (const [n, file] of files.entries()) {
        for (let seed = 1; seed <= 5; seed++) {
          const lost = lostBytes(file.length, loss, seed + 10 * n);
          const score = { ...scoreOne(file, streams[n]!, lost), ...(await shownOf(file, lost)) };
          for (const key of Object.keys(score) as (keyof typeof score)[]) sum[key] += score[key];
          sum.count++;
        }
      }
      const percent = (value: number) => ((100 * value) / sum.count).toFixed(1);
      const segments = Math.round(files.reduce((bytes, { length }) => bytes + length, 0) / files.length / segmentBytes);
      const cells = [
        kind,
        saving,
        segments,
        100 * loss,
        ...[sum.start, sum.blocks, sum.symbols, sum.bytes, sum.shown].map(percent),
      ];
      cells.push(((100 * sum.wrong) / sum.count).toFixed(3), (sum.seconds / sum.count).toFixed(2));
      console.log(`| ${cells.join(' | ')} |`);
    }
  }
}

function fetchPhotographs(): string {
  const place = join(work, 'package');
  mkdirSync(place);
  execFileSync('apt-get', ['download', '-qq', 'python3-skimage'], { cwd: place, stdio: 'ignore' });
  execFileSync('dpkg', ['-x', readdirSync(place).find((file) => file.endsWith('.deb'))!, '.'], { cwd: place });
  return join(place, 'usr/lib/python3/dist-packages/skimage/data');
}

/** Like a screenshot: panels, lines of small strokes in rows, a curve. */
function drawing(seed: number): Sharp {
  const random = seededRandom(seed, 'salvage-png');
  const at = (most: number) => Math.floor(random.float() * most);
  const shapes: string[] = [];
  for (let i = 0; i < 24; i++) {
    const [x, y, grey] = [at(1100), at(800), 180 + at(70)];
    shapes.push(
      `<rect x="${x}" y="${y}" width="${60 + at(300)}" height="${40 + at(200)}" fill="rgb(${grey},${grey},${255 - at(40)})" stroke="#456"/>`,
    );
  }
  for (let line = 0; line < 40; line++) {
    for (let x = 20 + at(40); x < 1100; x += 4 + at(9)) {
      shapes.push(
        `<path d="M${x} ${20 + 22 * line}v${3 + at(8)}h${at(6)}" stroke="#222" fill="none" stroke-width="1.4"/>`,
      );
    }
  }
  const curve = Array.from({ length: 120 }, (_, i) => `${10 * i},${500 + Math.round(200 * Math.sin(i / 9 + seed))}`);
  shapes.push(`<polyline points="${curve.join(' ')}" fill="none" stroke="#c33" stroke-width="3"/>`);
  const svg = `<svg xmlns="http://www.w3.org/2000/svg" width="1200" height="900"><rect width="1200" height="900" fill="#fff"/>${shapes.join('')}</svg>`;
  return sharp(Buffer.from(svg)).removeAlpha();
}

/** A byte per byte of the file: 1 = lost. The first segment, without which nothing is shown, always arrives. */
function lostBytes(bytes: number, loss: number, seed: number): Uint8Array {
  const random = seededRandom(seed, 'salvage-png loss');
  const lost = new Uint8Array(bytes);
  for (let start = segmentBytes; start < bytes; start += segmentBytes) {
    if (random.float() < loss) lost.fill(1, start, start + segmentBytes);
  }
  return lost;
}

function readStream(png: Buffer): Stream {
  const parts: Buffer[] = [];
  const places: number[] = [];
  for (let at = 8; at + 8 <= png.length; at += 12 + png.readUInt32BE(at)) {
    if (png.toString('latin1', at + 4, at + 8) !== 'IDAT') continue;
    parts.push(png.subarray(at + 8, at + 8 + png.readUInt32BE(at)));
    for (let i = 0; i < png.readUInt32BE(at); i++) places.push(at + 8 + i);
  }
  const data = Buffer.concat(parts);
  const rows = inflateSync(data);
  return { data, places: Uint32Array.from(places), rows, ...walkDeflate(data, rows.length) };
}

/** Share of the pixels that can be known, by three ways of beginning, and of the inflated bytes by the last. */
function scoreOne(png: Buffer, stream: Stream, lost: Uint8Array) {
  const { places, walk, blocks, rows } = stream;
  // How many bytes of the stream before each place are lost.
  const before = new Uint32Array(places.length + 1);
  for (const [i, place] of places.entries()) before[i + 1] = before[i]! + lost[place]!;
  const arrived = (from: number, to: number) => before[from] === before[Math.min(to, places.length)];
  const byWay = (decodable: (i: number) => boolean) => {
    const known = new Uint8Array(rows.length);
    for (let i = 0; i < rows.length; i++) {
      const source = walk.source[i]!;
      known[i] = decodable(i) && (source < 0 || known[source]) ? 1 : 0;
    }
    const bytes = known.reduce((sum, one) => sum + one, 0) / rows.length;
    return { pixels: pixelsKnown(png, rows, known), bytes };
  };
  const blockOf = (i: number) => blocks[walk.block[i]!]!;
  const symbols = byWay((i) => arrived(walk.from[i]!, walk.to[i]!) && arrived(blockOf(i).start, blockOf(i).tablesEnd));
  return {
    start: byWay((i) => before[walk.to[i]!] === 0).pixels,
    blocks: byWay((i) => arrived(blockOf(i).start, walk.to[i]!)).pixels,
    symbols: symbols.pixels,
    bytes: symbols.bytes,
  };
}

/** What is shown, and what of that is not the picture. */
async function shownOf(png: Buffer, lost: Uint8Array): Promise<{ shown: number; wrong: number; seconds: number }> {
  const gaps: [number, number][] = [];
  const holed = Buffer.from(png);
  for (let i = 0; i < png.length; i++) {
    if (!lost[i]) continue;
    holed[i] = 0;
    if (gaps.at(-1)?.[1] === i) gaps.at(-1)![1]++;
    else gaps.push([i, i + 1]);
  }
  const began = performance.now();
  const salvaged = await salvagePng(holed, gaps);
  const seconds = (performance.now() - began) / 1000;
  if (!salvaged) return { shown: 0, wrong: 0, seconds };
  const intact = await sharp(png).ensureAlpha().raw().toBuffer();
  const pixels = await sharp(Buffer.concat(salvaged.png)).raw().toBuffer();
  const count = pixels.length / 4;
  let [shown, wrong] = [0, 0];
  for (let at = 0; at < pixels.length; at += 4) {
    // The pictures are opaque, the hatch is not.
    if (pixels[at + 3] !== 255) continue;
    shown++;
    if (intact.readUInt32BE(at) !== pixels.readUInt32BE(at)) wrong++;
  }
  return { shown: shown / count, wrong: wrong / count, seconds };
}

function pixelsKnown(png: Buffer, rows: Buffer, known: Uint8Array): number {
  const [width, height] = [png.readUInt32BE(16), png.readUInt32BE(20)];
  const rowBytes = rows.length / height;
  const pixelBytes = (rowBytes - 1) / width;
  let shown = 0;
  for (let y = 0; y < height; y++) {
    const start = y * rowBytes;
    const filter = known[start] ? rows[start]! : -1;
    for (let x = 1; x < rowBytes; x++) {
      const at = start + x;
      // What lies outside of the picture counts as zero. Filters: 1 left, 2 above, 3 both, 4 both and the corner.
      const left = filter === 1 || filter >= 3 ? x <= pixelBytes || known[at - pixelBytes] : 1;
      const above = filter >= 2 ? y === 0 || known[at - rowBytes] : 1;
      const corner = filter === 4 ? y === 0 || x <= pixelBytes || known[at - rowBytes - pixelBytes] : 1;
      if (filter < 0 || !left || !above || !corner) known[at] = 0;
    }
    for (let x = 1; x < rowBytes; x += pixelBytes) {
      let all = 1;
      for (let c = 0; c < pixelBytes; c++) all &= known[start + x + c]!;
      shown += all;
    }
  }
  return shown / (width * height);
}

function walkDeflate(data: Buffer, size: number): { walk: Walk; blocks: Block[] } {
  let bit = 16; // behind the two bytes of zlib
  const bits = (count: number): number => {
    let value = 0;
    for (let i = 0; i < count; i++, bit++) value |= ((data[bit >> 3]! >> (bit & 7)) & 1) << i;
    return value;
  };
  const read = (table: Map<number, number>): number => {
    for (let code = 1; ; ) {
      code = (code << 1) | bits(1);
      const symbol = table.get(code);
      if (symbol !== undefined) return symbol;
    }
  };
  const walk = {
    from: new Uint32Array(size),
    to: new Uint32Array(size),
    block: new Uint32Array(size),
    source: new Int32Array(size),
  };
  const blocks: Block[] = [];
  let out = 0;
  const put = (from: number, count: number, distance: number) => {
    for (let i = 0; i < count; i++, out++) {
      [walk.from[out], walk.to[out], walk.block[out]] = [from >> 3, (bit + 7) >> 3, blocks.length - 1];
      walk.source[out] = distance === 0 ? -1 : out - distance;
    }
  };
  for (let last = 0; last === 0; ) {
    const start = bit >> 3;
    last = bits(1);
    const kind = bits(2);
    if (kind === 0) {
      bit = (bit + 7) & ~7;
      const count = bits(16);
      bit += 16;
      blocks.push({ start, tablesEnd: bit >> 3 });
      for (let i = 0; i < count; i++) {
        bit += 8;
        put(bit - 8, 1, 0);
      }
      continue;
    }
    const [literals, distances] = kind === 1 ? fixedTables() : dynamicTables(bits, read);
    blocks.push({ start, tablesEnd: (bit + 7) >> 3 });
    for (;;) {
      const from = bit;
      const symbol = read(literals);
      if (symbol === 256) break;
      if (symbol < 256) put(from, 1, 0);
      else {
        const length = lengthBase[symbol - 257]! + bits(lengthExtra[symbol - 257]!);
        const code = read(distances);
        const extra = Math.max(0, (code >> 1) - 1);
        const base = code < 4 ? code + 1 : ((2 + (code & 1)) << extra) + 1;
        put(from, length, base + bits(extra));
      }
    }
  }
  if (out !== size) throw new Error(`the walk gave ${out} bytes, expected ${size}`);
  return { walk, blocks };
}

/** Codes with a leading 1 that keeps their length. */
function codes(lengths: readonly number[]): Map<number, number> {
  const table = new Map<number, number>();
  for (let length = 1, code = 0; length < 16; length++, code <<= 1) {
    for (const [symbol, own] of lengths.entries()) if (own === length) table.set((1 << length) | code++, symbol);
  }
  return table;
}

function fixedTables(): [Map<number, number>, Map<number, number>] {
  const lengthOf = (symbol: number) => (symbol < 144 ? 8 : symbol < 256 ? 9 : symbol < 280 ? 7 : 8);
  return [codes(Array.from({ length: 288 }, (_, symbol) => lengthOf(symbol))), codes(Array(30).fill(5))];
}

function dynamicTables(
  bits: (count: number) => number,
  read: (table: Map<number, number>) => number,
): [Map<number, number>, Map<number, number>] {
  const [literals, distances, count] = [257 + bits(5), 1 + bits(5), 4 + bits(4)];
  const own = Array<number>(19).fill(0);
  for (let i = 0; i < count; i++) own[orderOfLengths[i]!] = bits(3);
  const table = codes(own);
  const lengths: number[] = [];
  while (lengths.length < literals + distances) {
    const symbol = read(table);
    if (symbol < 16) lengths.push(symbol);
    else if (symbol === 16) lengths.push(...Array<number>(3 + bits(2)).fill(lengths.at(-1)!));
    else lengths.push(...Array<number>(symbol === 17 ? 3 + bits(3) : 11 + bits(7)).fill(0));
  }
  return [codes(lengths.slice(0, literals)), codes(lengths.slice(literals))];
}
