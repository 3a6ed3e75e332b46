// Salvage of JPEG pictures with holes, scored against the decode of the intact file, beside general decoders, on photographs that
// Debian packages bring (downloaded at run time, none kept). Run: npx tsx test/bench/salvage-pictures.ts [tune|second|third|fourth|fifth|sixth|clean] [photographs]
// Numbers of a table are percent of MCUs. Judges: the coefficients of the intact file; its pixels by libjpeg-turbo through sharp.
import { execFileSync, spawnSync } from 'node:child_process';
import os from 'node:os';
import sharp from 'sharp';
import { findFfmpeg } from '../../src/media/ffmpeg.js';
import { readCoefficients } from '../../src/media/jpeg/block-store.js';
import { type Gaps, gapAfter, readJpegHeader } from '../../src/media/jpeg/header.js';
import { layoutOf } from '../../src/media/jpeg/layout.js';
import { decodePieces } from '../../src/media/jpeg/pieces.js';
import { mcuBlocks } from '../../src/media/jpeg/place-scan.js';
import {
  extractJpegHeader,
  type HoledJpeg,
  likely,
  readHoledJpeg,
  sure,
} from '../../src/media/jpeg/read-holed-jpeg.js';
import { readStretches } from '../../src/media/jpeg/stretches.js';
import { writeJpeg } from '../../src/media/jpeg/write-jpeg.js';
import { fetchPhotographs, ownSize, resized, type SetName, sets } from './photographs.js';

type Case = { variant: string; segment: number; loss: number; headerLost?: boolean; own?: boolean };
const cases: Case[] = [
  // A lost header takes the picture in its segment with it: it is the size that cameras write that counts.
  { variant: '4:2:0', segment: 1004, loss: 0.05, own: true },
  { variant: '4:2:0', segment: 1004, loss: 0.05, headerLost: true, own: true },
  ...['4:2:0', '4:4:4', 'grey'].map((variant) => ({ variant, segment: 223, loss: 0.05 })),
  ...['4:2:0', '4:4:4', 'grey', 'restart row', 'restart 8', 'progressive'].flatMap((variant) =>
    [0.01, 0.05, 0.2].map((loss) => ({ variant, segment: 1004, loss })),
  ),
  { variant: '4:2:0', segment: 1004, loss: 0.05, headerLost: true },
  { variant: '4:2:0', segment: 223, loss: 0.05, headerLost: true },
  ...['4:2:0', '4:4:4', 'grey'].map((variant) => ({ variant, segment: 223, loss: 0.05, own: true })),
];

/** The coefficients of the two blocks that are compared. */
const [ours, theirs] = [new Int16Array(64), new Int16Array(64)];
const chosen = sets[(process.argv[2] ?? 'clean') as SetName];
const most = Number(process.argv[3] ?? chosen.most);

type Tally = Record<
  | 'mcus'
  | 'boundA'
  | 'boundB'
  | 'place'
  | 'wrongUnmarked'
  | 'wrongMarked'
  | 'kept'
  | 'sure'
  | 'sureRight'
  | 'likely'
  | 'likelyRight'
  | 'unplaced'
  | 'ms',
  number
> & { tools: Record<string, { kept: number; wrong: number }> };

const originals = fetchPhotographs(chosen.packages, chosen.files).slice(0, most);
const photographs = await Promise.all(originals.map(resized));
const ownSized = await Promise.all(originals.map(ownSize));
const tools = await generalTools();
const names = Object.keys(tools);
console.log(
  `Photographs of ${chosen.packages.join(' and ')}: ${photographs.length}; ${os.cpus()[0]?.model}, Node ${process.version}.\n`,
);
const columns = [
  'variant',
  'segment',
  'loss %',
  'bound A',
  'bound B',
  'in place',
  'kept',
  'wrong, unmarked',
  'wrong, marked',
];
columns.push('sure (≤ 2 levels)', 'likely (≤ 16)', 'unplaced', 'ms', ...names.map((name) => `${name} kept / wrong`));
console.log(`| ${columns.join(' | ')} |\n|${columns.map(() => '---').join('|')}|`);
for (const c of cases) {
  const tally = await scoreCase(c, c.own ? ownSized : photographs, tools);
  const percent = (value: number, of = tally.mcus) => (of === 0 ? '–' : ((100 * value) / of).toFixed(1));
  const cells = [
    c.variant + (c.headerLost ? ', header lost' : '') + (c.own ? ', own size' : ''),
    c.segment,
    100 * c.loss,
  ];
  cells.push(percent(tally.boundA), percent(tally.boundB), percent(tally.place), percent(tally.kept));
  cells.push(
    ((100 * tally.wrongUnmarked) / tally.mcus).toFixed(2),
    ((100 * tally.wrongMarked) / tally.mcus).toFixed(2),
  );
  cells.push(
    `${percent(tally.sure)} (${percent(tally.sureRight, tally.sure)})`,
    `${percent(tally.likely)} (${percent(tally.likelyRight, tally.likely)})`,
  );
  cells.push(percent(tally.unplaced), Math.round(tally.ms / photographs.length));
  for (const name of names) cells.push(`${percent(tally.tools[name]!.kept)} / ${percent(tally.tools[name]!.wrong)}`);
  console.log(`| ${cells.join(' | ')} |`);
}

async function encode(variant: string, photograph: Buffer, quality: number): Promise<Buffer> {
  const picture = sharp(photograph);
  if (variant === '4:2:0') return picture.jpeg({ quality }).toBuffer();
  if (variant === '4:4:4') return picture.jpeg({ quality, chromaSubsampling: '4:4:4' }).toBuffer();
  if (variant === 'grey') return picture.toColourspace('b-w').jpeg({ quality }).toBuffer();
  if (variant === 'progressive') return picture.jpeg({ quality, progressive: true }).toBuffer();
  const { data, info } = await picture.raw().toBuffer({ resolveWithObject: true });
  const input = Buffer.concat([Buffer.from(`P6\n${info.width} ${info.height}\n255\n`), data]);
  const restart = variant === 'restart row' ? '1' : '8B';
  return execFileSync('cjpeg', ['-quality', String(quality), '-restart', restart], { input, maxBuffer: 1 << 28 });
}

/** Whole segments, each lost by itself (Park and Miller's generator, seeded). */
function makeGaps(bytes: number, { segment, loss, headerLost }: Case, start: number, seed: number): [number, number][] {
  let state = seed * 7919 + 1;
  const random = () => (state = (state * 48271) % 0x7fffffff) / 0x7fffffff;
  for (let i = 0; i < 10; i++) random();
  const gaps: [number, number][] = [];
  for (let at = 0; at < bytes; at += segment) {
    const lost = random() < loss || (headerLost && at === 0);
    const from = headerLost ? at : Math.max(at, start);
    const to = Math.min(bytes, at + segment);
    if (!lost || from >= to) continue;
    if (gaps.at(-1)?.[1] === from) gaps.at(-1)![1] = to;
    else gaps.push([from, to]);
  }
  return gaps;
}

async function scoreCase(
  c: Case,
  photographs: readonly Buffer[],
  tools: Awaited<ReturnType<typeof generalTools>>,
): Promise<Tally> {
  const tally: Tally = {
    mcus: 0,
    boundA: 0,
    boundB: 0,
    place: 0,
    wrongUnmarked: 0,
    wrongMarked: 0,
    kept: 0,
    sure: 0,
    sureRight: 0,
    likely: 0,
    likelyRight: 0,
    unplaced: 0,
    ms: 0,
    tools: Object.fromEntries(Object.keys(tools).map((name) => [name, { kept: 0, wrong: 0 }])),
  };
  for (const [i, photograph] of photographs.entries()) {
    const whole = await encode(c.variant, photograph, 85 + (i % 8));
    const sibling = await encode(c.variant, photographs[(i + 1) % photographs.length]!, 85 + (i % 8));
    const gaps = makeGaps(whole.length, c, readJpegHeader(whole, [])!.scans[0]!.start, i + 1);
    const holed = Buffer.from(whole);
    for (const [start, end] of gaps) holed.fill(0, start, end);
    const truth = readHoledJpeg(whole, [])!;
    // A camera writes the same tables into all files; sharp fits them to each, so the header lent is the file's own.
    const lent = c.headerLost ? [extractJpegHeader(sibling)!, extractJpegHeader(whole)!] : [];
    const begin = performance.now();
    const got = readHoledJpeg(holed, gaps, lent);
    tally.ms += performance.now() - begin;
    tally.mcus += truth.layout.mcus;
    addBounds(tally, whole, gaps);
    const intact = await pixelsOf(whole);
    if (got) await addOurs(tally, got, truth, intact);
    for (const [name, decode] of Object.entries(tools)) {
      const pixels = await decode(holed);
      if (pixels) addPixels(tally.tools[name]!, pixels, intact, truth);
    }
  }
  return tally;
}

type Raw = { data: Buffer; width: number; height: number; channels: number };

async function pixelsOf(file: Buffer): Promise<Raw> {
  const { data, info } = await sharp(file, { failOn: 'none' })
    .toColourspace('srgb')
    .raw()
    .toBuffer({ resolveWithObject: true });
  return { data, width: info.width, height: info.height, channels: info.channels };
}

async function addOurs(tally: Tally, got: HoledJpeg, truth: HoledJpeg, intact: Raw): Promise<void> {
  tally.unplaced += got.unplaced;
  const judged = new Uint8Array(truth.layout.mcus);
  for (let m = 0; m < judged.length; m++) {
    const grade = got.grades[m]!;
    if (grade === 0) continue;
    const { inPlace, levels } = compareMcu(got, truth, m);
    if (inPlace) tally.place++;
    else if (grade !== sure) tally.wrongMarked++;
    if (grade === sure && !(inPlace && levels <= 2)) tally.wrongUnmarked++;
    if (grade === sure) tally.sure++;
    if (grade === sure && inPlace && levels <= 2) tally.sureRight++;
    if (grade === likely) tally.likely++;
    if (grade === likely && inPlace && levels <= 16) tally.likelyRight++;
  }
  // The rebuilt file must decode without a warning.
  const file = writeJpeg(got);
  await sharp(file, { failOn: 'warning' }).stats();
  const judge = spawnSync('djpeg', ['-outfile', '/dev/null'], { input: file });
  if (judge.status !== 0 && judge.status !== null) throw new Error(`djpeg: ${judge.stderr}`);
  const both = { kept: 0, wrong: 0 };
  addPixels(both, await pixelsOf(file), intact, truth, got.grades);
  tally.kept += both.kept;
}

/** In its place: the AC coefficients are those of the intact file; of a coarse one in scans, the steps of its DC values are. */
function compareMcu(got: HoledJpeg, truth: HoledJpeg, m: number): { inPlace: boolean; levels: number } {
  const blocks = truth.blocks.length;
  let inPlace = true;
  let levels = 0;
  let before = 0;
  for (let b = 0; b < blocks; b++) {
    readCoefficients(got, got.source[m]! * blocks + b, ours);
    readCoefficients(truth, truth.source[m]! * blocks + b, theirs);
    const quantum = truth.quantisation[truth.blocks[b]!.component]![0]! / 8;
    const off = ours[0]! - theirs[0]!;
    levels = Math.max(levels, Math.abs(off) * quantum);
    if (truth.progressive && got.grades[m] !== sure) {
      const sameComponent = b > 0 && truth.blocks[b - 1]!.component === truth.blocks[b]!.component;
      // The last bit of a DC value comes in a scan of its own.
      if (sameComponent && Math.abs(off - before) > 1) inPlace = false;
    } else for (let k = 1; k < 64; k++) if (ours[k] !== theirs[k]) inPlace = false;
    before = off;
  }
  return { inPlace, levels };
}

/** Kept: every pixel of the MCU within 2 levels. Wrong: shown as picture (not flat grey), but not it. */
function addPixels(
  sums: { kept: number; wrong: number },
  shown: Raw,
  intact: Raw,
  { layout }: HoledJpeg,
  grades?: Uint8Array,
): void {
  if (shown.width !== intact.width || shown.height !== intact.height) return;
  for (let m = 0; m < layout.mcus; m++) {
    if (grades?.[m] === 0) continue;
    const x0 = (m % layout.across) * layout.mcuWidth;
    const y0 = Math.floor(m / layout.across) * layout.mcuHeight;
    let same = true;
    let flat = true;
    for (let y = y0; y < Math.min(shown.height, y0 + layout.mcuHeight); y++) {
      for (let x = x0; x < Math.min(shown.width, x0 + layout.mcuWidth); x++) {
        for (let i = 0; i < 3; i++) {
          const a = shown.data[(y * shown.width + x) * shown.channels + Math.min(i, shown.channels - 1)]!;
          const b = intact.data[(y * intact.width + x) * intact.channels + Math.min(i, intact.channels - 1)]!;
          if (Math.abs(a - b) > 2) same = false;
          if (Math.abs(a - 128) > 2) flat = false;
        }
      }
    }
    if (same) sums.kept++;
    else if (!flat) sums.wrong++;
  }
}

/** Bound A: all since the scan or restart interval began arrived. Bound B: the MCU's own bits did (of the first scan, if several). */
function addBounds(tally: Tally, whole: Buffer, gaps: Gaps): void {
  const header = readJpegHeader(whole, [])!;
  const scan = header.scans[0]!;
  const layout = layoutOf(header.frame);
  const data = readStretches(whole, [], scan);
  const { bits } = decodePieces(data, mcuBlocks(layout, scan)!, layout.mcus, scan.restartInterval);
  let at = scan.start;
  let mcu = 0;
  for (const { start, end } of data.stretches) {
    let unbroken = true;
    let bit = 0;
    let file = at;
    const count = scan.restartInterval || layout.mcus;
    const offsets: number[] = [];
    // Offset in the file by byte of the stretch.
    for (let byte = 0; byte <= (end - start) / 8; byte++) {
      offsets.push(file);
      file += whole[file] === 0xff && whole[file + 1] === 0 ? 2 : 1;
    }
    for (let n = 0; n < count && mcu < layout.mcus; n++, mcu++) {
      const from = offsets[bit >> 3]!;
      bit += bits[mcu]!;
      const to = offsets[(bit - 1) >> 3]! + 1;
      const gap = gapAfter(gaps, from);
      const arrived = !gap || gap[0] >= to;
      unbroken &&= arrived;
      if (arrived) tally.boundB++;
      if (unbroken) tally.boundA++;
    }
    at = offsets[(end - start) / 8]! + 2;
  }
}

async function generalTools(): Promise<Record<string, (file: Buffer) => Promise<Raw | null>>> {
  const viaPipe = (program: string, args: string[]) => async (file: Buffer) => {
    const { stdout } = spawnSync(program, args, { input: file, maxBuffer: 1 << 28 });
    return stdout?.length ? readNetpbm(stdout) : null;
  };
  const tools: Record<string, (file: Buffer) => Promise<Raw | null>> = {
    sharp: (file) => pixelsOf(file).catch(() => null),
  };
  if (spawnSync('djpeg', ['-version']).error === undefined) tools['djpeg'] = viaPipe('djpeg', ['-pnm']);
  if (spawnSync('magick', ['-version']).error === undefined)
    tools['ImageMagick'] = viaPipe('magick', ['jpeg:-', 'pnm:-']);
  const found = await findFfmpeg();
  if (found) {
    const args = [
      '-v',
      'quiet',
      '-f',
      'mjpeg',
      '-i',
      '-',
      '-frames:v',
      '1',
      '-pix_fmt',
      'rgb24',
      '-f',
      'image2pipe',
      '-c:v',
      'ppm',
      '-',
    ];
    tools['ffmpeg'] = viaPipe(found.ffmpeg, args);
  }
  return tools;
}

function readNetpbm(file: Buffer): Raw | null {
  const head = /^P([56])\s+(\d+)\s+(\d+)\s+255\s/.exec(file.toString('latin1', 0, 64));
  if (!head) return null;
  const channels = head[1] === '6' ? 3 : 1;
  return { data: file.subarray(head[0].length), width: Number(head[2]), height: Number(head[3]), channels };
}
