// The judge is the decode of the intact file (libjpeg-turbo and libpng by way of sharp, ffmpeg for clips): no pixel that
// is shown may differ from it by more than 2 levels, and whatever is not shown must be hatch or nothing.
import { readdir, readFile, writeFile } from 'node:fs/promises';
import { basename, join } from 'node:path';
import sharp, { type Sharp } from 'sharp';
import { describe, expect, test } from 'vitest';
import { crc32 } from '../../src/bytes/crc.js';
import { probe } from '../../src/media/ffmpeg.js';
import { readJpegHeader } from '../../src/media/jpeg/header.js';
import { extractJpegHeader } from '../../src/media/jpeg/read-holed-jpeg.js';
import { recogniseFile } from '../../src/media/recognise.js';
import { salvageMedia } from '../../src/media/salvage.js';
import { drawClip, drawPicture, ffmpeg, freshFolder, jpegWithRestarts, type Style, seeded, tools } from './drawn.js';

import { drawScene } from './holed-jpeg.js';

type Gap = [start: number, end: number];

const drawnScene = async () => sharp(await drawScene(320, 240, 5));

/** Salvages `whole` with zeros in its gaps, as they lie in the output folder. */
async function salvaged(whole: Buffer, gaps: Gap[], given = tools) {
  const holed = Buffer.from(whole);
  for (const [start, end] of gaps) holed.fill(0, start, end);
  const folder = await freshFolder();
  const path = join(folder, 'partial');
  await writeFile(path, holed);
  const result = await salvageMedia({
    path,
    gaps,
    bytes: whole.length,
    outBase: join(folder, 'out'),
    tools: given,
  });
  const written = await readdir(folder);
  return { result, written };
}

async function rgba(picture: Sharp) {
  const { data, info } = await picture
    .toColourspace('srgb')
    .ensureAlpha()
    .raw({ depth: 'uchar' })
    .toBuffer({ resolveWithObject: true });
  return { data, width: info.width, height: info.height };
}

const hatch = new Set([0, 0x808080c0]);

/** Checks one salvage against the intact picture, pixel by pixel; returns the share of pixels shown. */
async function shareShown(whole: Buffer, gaps: Gap[]): Promise<number> {
  const intact = await rgba(sharp(whole));
  const { result, written } = await salvaged(whole, gaps, null);
  if (result === null) {
    expect(written).toEqual(['partial']);
    return 0;
  }
  expect(written.sort()).toEqual(['out.png', 'partial']);
  const shown = await rgba(sharp(result.path));
  expect([shown.width, shown.height]).toEqual([intact.width, intact.height]);
  let [count, wrong] = [0, 0];
  for (let i = 0; i < shown.data.length; i += 4) {
    const pixel = shown.data.readUInt32BE(i);
    if (hatch.has(pixel)) continue;
    count++;
    if (pixel !== intact.data.readUInt32BE(i)) wrong++;
  }
  expect(wrong).toBe(0);
  const share = count / (intact.width * intact.height);
  const told = /^(?:All|The top (\d+) of|([\d.]+) %)/.exec(result.note)!;
  if (told[1]) expect(Math.floor(count / intact.width)).toBe(Number(told[1]));
  else expect(Math.abs((told[2] ? Number(told[2]) : 100) - 100 * share)).toBeLessThanOrEqual(0.1);
  return share;
}

const baseline: Record<string, (picture: Sharp) => Promise<Buffer>> = {
  '4:2:0': (picture) => picture.jpeg({ quality: 80 }).toBuffer(),
  '4:4:4': (picture) => picture.jpeg({ quality: 92, chromaSubsampling: '4:4:4' }).toBuffer(),
  greyscale: (picture) => picture.greyscale().jpeg().toBuffer(),
  'fine quantisation': (picture) => picture.jpeg({ quality: 100 }).toBuffer(),
  ...(tools ? { 'restart markers': jpegWithRestarts } : {}),
};
const pngs: Record<string, (picture: Sharp) => Promise<Buffer>> = {
  'in colour': (picture) => picture.png().toBuffer(),
  'with 16 bits': (picture) => picture.toColourspace('rgb16').png().toBuffer(),
  'with a palette': (picture) => picture.png({ palette: true }).toBuffer(),
  'with a palette of two': (picture) => picture.threshold().png({ palette: true, colours: 2 }).toBuffer(),
  'with alpha': (picture) => picture.ensureAlpha(0.5).png().toBuffer(),
  interlaced: (picture) => picture.png({ progressive: true }).toBuffer(),
};
const styles: Style[] = ['textured', 'dark', 'stars', 'even'];
// One MCU wide is the hardest: nothing beside the cut can give it away.
const sizes = [
  [16, 120],
  [61, 90],
  [200, 150],
] as const;

describe('JPEG', () => {
  test.each(Object.entries(baseline))(
    '%s: what is opaque is the picture, what is missing is hatched',
    async (_, encode) => {
      const whole = await encode(await drawnScene());
      const intact = await rgba(sharp(whole));
      const random = seeded(11);
      for (let n = 0; n < 4; n++) {
        const start = Math.floor(whole.length * (0.3 + 0.6 * random()));
        const { result, written } = await salvaged(whole, [[start, start + 200]], null);
        expect(written.sort()).toEqual(['out.grades.png', 'out.jpg', 'out.png', 'partial']);
        const shown = await rgba(sharp(result!.path));
        expect([shown.width, shown.height]).toEqual([intact.width, intact.height]);
        let opaque = 0;
        let worst = 0;
        for (let i = 0; i < shown.data.length; i += 4) {
          if (shown.data[i + 3] !== 255) continue;
          opaque++;
          // Decoders blend the colours of neighbouring blocks over two pixels at their border.
          const row = 8 * shown.width;
          const around = [-8, 8, -row, row, -row - 8, -row + 8, row - 8, row + 8];
          if (around.some((step) => (shown.data[i + step + 3] ?? 255) !== 255)) continue;
          for (let c = 0; c < 3; c++) worst = Math.max(worst, Math.abs(shown.data[i + c]! - intact.data[i + c]!));
        }
        expect(opaque / (intact.width * intact.height)).toBeGreaterThan(0.2);
        // Surely in its brightness means within 2 levels, in each of three components.
        expect(worst).toBeLessThanOrEqual(6);
        expect(result!.note).toMatch(/^\d+\.\d % of the picture is shown: .* The hatched rest is missing\./);
      }
    },
  );

  test('the file beside it is a standard JPEG that decodes without a warning, and the map has a pixel per MCU', async () => {
    const whole = await (await drawnScene()).jpeg().toBuffer();
    const start = whole.length >> 1;
    const { result } = await salvaged(whole, [[start, start + 200]]);
    const [jpg, grades] = result!.also.map((path) => sharp(path, { failOn: 'warning' }));
    expect(await jpg!.metadata()).toMatchObject({
      format: 'jpeg',
      width: 320,
      height: 240,
    });
    await jpg!.stats();
    const { data, info } = await grades!.toColourspace('b-w').raw().toBuffer({ resolveWithObject: true });
    expect([info.width, info.height]).toEqual([20, 15]);
    expect(new Set(data)).toContain(0);
    expect(new Set(data)).toContain(255);
  });

  test('a file that ends early has a gap at its end', async () => {
    const whole = await (await drawnScene()).jpeg().toBuffer();
    const folder = await freshFolder();
    const [path, outBase] = [join(folder, 'short'), join(folder, 'out')];
    await writeFile(path, whole.subarray(0, whole.length >> 1));
    const result = await salvageMedia({
      path,
      gaps: [],
      bytes: whole.length,
      outBase,
      tools: null,
    });
    const shown = await rgba(sharp(result!.path));
    const opaque = shown.data.filter((value, i) => i % 4 === 3 && value === 255).length;
    expect(opaque / (320 * 240)).toBeGreaterThan(0.3);
    expect(opaque / (320 * 240)).toBeLessThan(0.7);
    // The rest is hatch or nothing.
    expect(shown.data.every((value, i) => i % 4 !== 3 || [0, 192, 255].includes(value))).toBe(true);
  });

  test('a header that is lost is found among those of other files; without them nothing is shown', async () => {
    const whole = await (await drawnScene()).jpeg().toBuffer();
    const gaps: Gap[] = [[0, 700]];
    expect((await salvaged(whole, gaps)).result).toBeNull();
    const folder = await freshFolder();
    const [path, outBase] = [join(folder, 'partial'), join(folder, 'out')];
    await writeFile(path, Buffer.from(whole).fill(0, 0, 700));
    const knownHeaders = [extractJpegHeader(whole)!];
    const request = { path, gaps, bytes: whole.length, outBase, knownHeaders };
    // With tools it is taken for a clip first, of the same bytes.
    for (const given of tools ? [null, tools] : [null]) {
      const result = await salvageMedia({ ...request, tools: given });
      expect(result!.note).toMatch(/Its header is lost: that of another file/);
    }
  });

  test('interpolation is done on request only, in a file of its own that says so', async () => {
    const whole = await (await drawnScene()).jpeg().toBuffer();
    const folder = await freshFolder();
    const [path, outBase] = [join(folder, 'partial'), join(folder, 'out')];
    const start = whole.length >> 1;
    await writeFile(path, Buffer.from(whole).fill(0, start, start + 400));
    const request = {
      path,
      gaps: [[start, start + 400]] as Gap[],
      bytes: whole.length,
      outBase,
      tools: null,
    };
    expect((await salvageMedia(request))!.also).not.toContain(`${outBase}.concealed.jpg`);
    expect((await salvageMedia({ ...request, conceal: true }))!.also).toContain(`${outBase}.concealed.jpg`);
    const { exif } = await sharp(`${outBase}.concealed.jpg`).metadata();
    expect(exif!.toString('latin1')).toContain('filled in by interpolation');
  });

  test('a progressive picture whose first scans came is shown whole and coarse, and the note says so', async () => {
    const whole = await (await drawnScene()).jpeg({ progressive: true }).toBuffer();
    const intact = await rgba(sharp(whole));
    const { scans } = readJpegHeader(whole, [])!;
    for (const arrived of [1, 3, scans.length - 1]) {
      const { result } = await salvaged(whole, [[scans[arrived - 1]!.end + 20, whole.length]]);
      expect(result!.note).toMatch(/coarse: not all of its detail came/);
      const shown = await rgba(sharp(result!.path));
      let sum = 0;
      for (let i = 0; i < intact.data.length; i++) if (i % 4 < 3) sum += Math.abs(intact.data[i]! - shown.data[i]!);
      // Not exact, yet the picture: an unrelated one is about 60 levels away on average.
      expect(sum / intact.data.length).toBeLessThan(15);
    }
  });
});

describe('PNG', () => {
  test.each(Object.entries(pngs))('a picture %s cut anywhere shows its upper part exactly', async (_, encode) => {
    const random = seeded(12);
    for (const style of styles) {
      for (const [width, height] of sizes) {
        const whole = await encode(drawPicture(width, height, style));
        for (let n = 0; n < 6; n++) await shareShown(whole, [[Math.floor(whole.length * random()), whole.length]]);
      }
    }
  });

  test('behind a hole the rows go on where they are saved unfiltered, and not where they look up to the one above', async () => {
    const save = (adaptiveFiltering: boolean) => drawPicture(320, 240).png({ adaptiveFiltering }).toBuffer();
    const gap = (whole: Buffer): Gap[] => [[whole.length >> 1, (whole.length >> 1) + 100]];
    const plain = await save(false);
    expect(await shareShown(plain, gap(plain))).toBeGreaterThan(0.98);
    const filtered = await save(true);
    const share = await shareShown(filtered, gap(filtered));
    expect(share).toBeGreaterThan(0.45);
    expect(share).toBeLessThan(0.55);
  });

  test('with holes anywhere no pixel that is shown is wrong, however the picture is saved', async () => {
    const random = seeded(21);
    const ways: Record<string, (picture: Sharp) => Promise<Buffer>> = {
      ...pngs,
      'at level 1': (picture) => picture.png({ compressionLevel: 1 }).toBuffer(),
      'at level 0': (picture) => picture.png({ compressionLevel: 0 }).toBuffer(),
      'filtered by row': (picture) => picture.png({ adaptiveFiltering: true }).toBuffer(),
    };
    const shares: Record<string, number> = {};
    for (const [way, encode] of Object.entries(ways)) {
      shares[way] = 0;
      for (const style of styles) {
        const whole = await encode(drawPicture(320, 240, style));
        for (const loss of [0.01, 0.1]) {
          const gaps: Gap[] = [];
          for (let at = 251; at < whole.length; at += 251)
            if (random() < loss) gaps.push([at, Math.min(at + 251, whole.length)]);
          if (gaps.length > 0) shares[way] += (await shareShown(whole, gaps)) / 8;
        }
      }
    }
    // Most of what there is to win lies in pictures with much in them, and at one hole in a hundred.
    expect(shares['in colour']).toBeGreaterThan(0.2);
  });

  test('an interlaced picture shows rows once its last pass has begun', async () => {
    const whole = await drawPicture(320, 240).png({ progressive: true }).toBuffer();
    const at = (share: number): Gap[] => [[Math.floor(whole.length * share), whole.length]];
    expect(await shareShown(whole, at(0.4))).toBe(0);
    expect(await shareShown(whole, at(0.8))).toBeGreaterThan(0.5);
  });

  test('a header that promises more pixels than the limit is refused', async () => {
    const whole = await drawPicture(100, 80).png().toBuffer();
    whole.writeUInt32BE(2_000_000_000, 16);
    whole.writeUInt32BE(crc32(whole, 12, 29), 29);
    expect((await salvaged(whole, [[whole.length - 50, whole.length]])).result).toBeNull();
  });
});

test('what is whole, has no start, or has no salvage here gives nothing and writes nothing', async () => {
  const jpeg = await drawPicture(100, 80).jpeg().toBuffer();
  const webp = await drawPicture(100, 80).webp().toBuffer();
  const cases: [Buffer, Gap[]][] = [
    [jpeg, []],
    [jpeg, [[0, 10]]],
    [jpeg, [[0, jpeg.length]]],
    [webp, [[webp.length >> 1, webp.length]]],
    [Buffer.from('file,name,bytes\n7,limb.jpg,12\n'), [[20, 25]]],
    [Buffer.alloc(1000), [[500, 600]]],
  ];
  for (const [whole, gaps] of cases)
    expect(await salvaged(whole, gaps)).toEqual({
      result: null,
      written: ['partial'],
    });
});

/** Hashes of all frames that ffmpeg decodes, one a frame. */
async function frameHashes(path: string): Promise<string[]> {
  const list = join(await freshFolder(), 'hashes');
  await ffmpeg('-i', path, '-map', '0:v', '-f', 'framemd5', list);
  const lines = (await readFile(list, 'utf8')).trim().split('\n');
  return lines.filter((line) => !line.startsWith('#')).map((line) => line.split(',').at(-1)!.trim());
}

describe.runIf(tools)('clips', () => {
  const clips = {
    'a transport stream': ['-c:v', 'libx264', '-g', '10', '-f', 'mpegts'],
    // As cameras send it: without frames out of order, whose times a bare stream loses.
    'a bare H.264 stream': ['-c:v', 'libx264', '-g', '10', '-bf', '0', '-f', 'h264'],
    'an MP4 with its index in front': ['-c:v', 'libx264', '-g', '10', '-movflags', '+faststart', '-f', 'mp4'],
    'an AVI with motion JPEG': ['-c:v', 'mjpeg', '-pix_fmt', 'yuvj420p', '-f', 'avi'],
  };

  test.each(Object.entries(clips))('%s with a hole becomes an MP4 that plays', async (_, encoding) => {
    const source = join(await freshFolder(), 'clip');
    await drawClip(source, ...encoding);
    const whole = await readFile(source);
    const start = Math.floor(whole.length * 0.6);
    const { result, written } = await salvaged(whole, [[start, start + 3000]]);
    const stills = written.filter((name) => /^out\.frame-\d+\.png$/.test(name));
    expect(written.filter((name) => !stills.includes(name)).sort()).toEqual(['out.mp4', 'partial']);
    expect(stills.length).toBeGreaterThan(0);
    expect(result!.also.map((file) => basename(file)).sort()).toEqual(stills.sort());
    const facts = await probe(tools!, result!.path, await recogniseFile(result!.path));
    const intact = await frameHashes(source);
    const counts = result!.frames!.map(({ count }) => count);
    expect(counts.reduce((sum, count) => sum + count, 0)).toBe(intact.length);
    expect(facts!.frames).toBe(intact.length);
    // What came before the hole is as it was sent; the hole itself is not passed over.
    expect(result!.frames![0]!.class).toBe('exact');
    expect(counts[0]).toBeGreaterThan(15);
    expect(result!.frames!.some((run) => run.class !== 'exact')).toBe(true);
  });

  test('without ffmpeg, and without anything that decodes, a clip is left alone', async () => {
    const source = join(await freshFolder(), 'clip');
    await drawClip(source, '-c:v', 'libx264', '-f', 'mp4');
    const whole = await readFile(source);
    const index = whole.indexOf('moov');
    expect(await salvaged(whole, [[index - 4, whole.length]])).toEqual({
      result: null,
      written: ['partial'],
    });
    expect(await salvaged(whole, [[whole.length >> 1, 1 + (whole.length >> 1)]], null)).toEqual({
      result: null,
      written: ['partial'],
    });
  });
});
