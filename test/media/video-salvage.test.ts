// The judge of every class is ffmpeg's decode of the intact clip (framemd5): a frame classed exact must be bit-identical
// to it, and next to all frames that are identical must be classed so. What is written is decoded by ffmpeg again.
import { execFileSync } from 'node:child_process';
import { readdirSync, readFileSync, writeFileSync } from 'node:fs';
import { dirname } from 'node:path';
import sharp from 'sharp';
import { describe, expect, test } from 'vitest';
import { probe, type Tools } from '../../src/media/ffmpeg.js';
import { checkClasses } from '../../src/media/video/check-classes.js';
import { HoledBytes } from '../../src/media/video/holed-bytes.js';
import { videoEntry } from '../../src/media/video/mp4-write.js';
import { readClip } from '../../src/media/video/read-clip.js';
import { salvageVideo, type VideoSalvageRequest } from '../../src/media/video/salvage-video.js';
import { timelineOf } from '../../src/media/video/timeline.js';
import { seeded, tools } from './drawn.js';
import {
  boxSpan,
  type ClipName,
  clips,
  complaints,
  drawnClip,
  frameSums,
  freshPath,
  type Gap,
  holed,
  lostSegments,
  toolSets,
} from './video-clips.js';

const mp4 = { kind: 'video', format: 'mp4', extension: 'mp4' } as const;

/** Places by MD5; now and then two frames are alike. */
function intactSums(file: Buffer, demuxer: string, given = tools!): Map<string, number[]> {
  const path = freshPath('intact');
  writeFileSync(path, file);
  const places = new Map<string, number[]>();
  for (const [place, md5] of frameSums(path, demuxer, given).entries()) {
    places.set(md5, [...(places.get(md5) ?? []), place]);
  }
  return places;
}

/** Classes the clip's frames and compares them with the intact decode. */
async function judge(
  file: Buffer,
  gaps: Gap[],
  truth: ReadonlyMap<string, number[]>,
  known: Buffer[] = [],
  given = tools!,
) {
  const counts = { frames: 0, exact: 0, identical: 0, both: 0, wrong: 0, misplaced: 0, whole: 0 };
  const clip = readClip(new HoledBytes(holed(file, gaps), gaps), known);
  if (!clip) return counts;
  const timeline = timelineOf(clip);
  const files = { all: freshPath('all.mp4'), exact: freshPath('exact.mp4') };
  const checked = await checkClasses(given, clip, videoEntry(clip)!, timeline, files);
  counts.frames = timeline.frames.length;
  counts.whole = clip.units.filter((unit) => unit.whole).length;
  for (const [place, frame] of timeline.frames.entries()) {
    const original = truth.get(checked.all.get(place) ?? '');
    if (original !== undefined) counts.identical++;
    if (frame.class !== 'exact') continue;
    counts.exact++;
    if (original === undefined) counts.wrong++;
    else if (!original.includes(place)) counts.misplaced++;
    if (original !== undefined) counts.both++;
  }
  return counts;
}

async function salvage(file: Buffer, gaps: Gap[], more: Partial<VideoSalvageRequest> = {}) {
  const path = freshPath('partial');
  writeFileSync(path, holed(file, gaps));
  const outBase = freshPath('out');
  const result = await salvageVideo({ path, gaps, bytes: file.length, outBase, tools, ...more });
  return { result, written: readdirSync(dirname(outBase)) };
}

/** Luma of one frame of an MP4, row by row. */
function lumaOf(path: string, place: number, size: { width: number; height: number }, given = tools!): Buffer {
  const input = [
    '-v',
    'error',
    '-threads',
    '1',
    '-i',
    path,
    '-map',
    '0:v:0',
    '-pix_fmt',
    'gray',
    '-f',
    'rawvideo',
    '-',
  ];
  const raw = execFileSync(given.ffmpeg, input, { maxBuffer: 1 << 26 });
  const bytes = size.width * size.height;
  return raw.subarray(place * bytes, (place + 1) * bytes);
}

describe.runIf(tools)('classes', () => {
  const overall = { both: 0, identical: 0 };
  test.each(Object.keys(clips) as ClipName[])(
    '%s: exact frames are bit-identical, and nearly all identical frames are exact',
    async (name) => {
      const file = drawnClip(name);
      const truth = intactSums(file, clips[name][1]);
      expect([...truth.values()].flat()).toHaveLength(48);
      const random = seeded(name.length * 7 + 1);
      const sum = { exact: 0, identical: 0, both: 0, misplaced: 0 };
      for (const [share, burst] of [
        [0.01, 1],
        [0.03, 6],
        [0.004, 1],
        [0.01, 3],
      ] as const) {
        const gaps = lostSegments(file, share, burst, random);
        const counts = await judge(file, gaps, truth);
        expect(counts.wrong).toBe(0);
        for (const key of Object.keys(sum) as (keyof typeof sum)[]) sum[key] += counts[key];
      }
      expect(sum.exact).toBeGreaterThan(20);
      // A hole that begins just behind a frame leaves its end in doubt, which can cost the rest of one short sequence.
      expect(sum.both).toBeGreaterThanOrEqual(0.85 * sum.identical);
      overall.both += sum.both;
      overall.identical += sum.identical;
      // Containers that count their frames, or tell their times, leave no doubt about places.
      if (/MP4|transport|AVI/.test(name)) expect(sum.misplaced).toBe(0);
    },
  );

  test('over all of them, 97 % of the identical frames are classed exact', () => {
    expect(overall.identical).toBeGreaterThan(1000);
    expect(overall.both).toBeGreaterThanOrEqual(0.97 * overall.identical);
  });

  test('an entry point that is lost whole does not let frames refer to those before it', async () => {
    for (const name of ['annex B', 'MP4, index first', 'H.265, annex B', 'H.265 in MP4'] as const) {
      const file = drawnClip(name);
      const truth = intactSums(file, clips[name][1]);
      const clip = readClip(new HoledBytes(file, []), [])!;
      for (const [from, to] of [
        [1, 13],
        [1, 25],
        [2, 14],
        [11, 13],
        [1, 17],
      ] as const) {
        const start = clip.units[from]!.units[0]!.start - 4;
        const gaps: Gap[] = [[start, clip.units[to]!.units[0]!.start - 4]];
        expect((await judge(file, gaps, truth)).wrong).toBe(0);
      }
    }
  });

  test('with the index lost, a whole clip of the same settings brings back all frames whose bytes arrived', async () => {
    const other = drawnClip('MP4, index last', 9);
    const [start, end] = boxSpan(other, 'avcC');
    const file = drawnClip('MP4, index last');
    const truth = intactSums(file, 'mov');
    const known = [other.subarray(start + 8, end)];
    const all = await judge(file, [boxSpan(file, 'moov')], truth, known);
    expect(all).toMatchObject({ frames: 48, exact: 48, wrong: 0, misplaced: 0 });
    expect(await judge(file, [boxSpan(file, 'moov')], truth)).toMatchObject({ frames: 0 });
    const clip = readClip(new HoledBytes(file, []), [])!;
    const random = seeded(3);
    for (let n = 0; n < 4; n++) {
      const gaps = lostSegments(file, 0.02, 2, random).concat([boxSpan(file, 'moov')]);
      const counts = await judge(file, gaps, truth, known);
      expect(counts.wrong).toBe(0);
      const arrived = clip.units.filter((unit) => {
        const [first, last] = [unit.units[0]!.start - 4, unit.units.at(-1)!.end];
        return gaps.every(([from, to]) => to <= first || from >= last);
      });
      expect(counts.whole).toBeGreaterThanOrEqual(arrived.length);
    }
  });

  test('where clips of different settings are known and both fit, no frame counts as exact', async () => {
    const file = drawnClip('MP4, index last');
    const truth = intactSums(file, 'mov');
    const record = (clip: Buffer) => clip.subarray(boxSpan(clip, 'avcC')[0] + 8, boxSpan(clip, 'avcC')[1]);
    const own = record(file);
    const other = Buffer.from(own);
    // level_idc says nothing about how slices are read.
    other[other.indexOf(own.subarray(1, 4), 5) + 2]! += 1;
    const counts = (known: Buffer[]) => judge(file, [boxSpan(file, 'moov')], truth, known);
    expect(await counts([own, Buffer.from(own)])).toMatchObject({ frames: 48, exact: 48 });
    expect(await counts([own, other])).toMatchObject({ frames: 48, exact: 0 });
  });

  test('the index of a file with sound in between can be lost, too', async () => {
    const file = drawnClip('MP4, index last', 5, '-c:a', 'aac');
    const truth = intactSums(file, 'mov');
    const [start, end] = boxSpan(drawnClip('MP4, index last', 9), 'avcC');
    const known = [drawnClip('MP4, index last', 9).subarray(start + 8, end)];
    expect(await judge(file, [boxSpan(file, 'moov')], truth, known)).toMatchObject({
      exact: 48,
      wrong: 0,
      misplaced: 0,
    });
  });

  test('a fragment whose index is lost is found by its media data', async () => {
    const file = drawnClip('fragmented MP4');
    const truth = intactSums(file, 'mov');
    const second = file.indexOf('moof', file.indexOf('moof') + 8, 'latin1') - 4;
    const gap: Gap = [second + 8, second + 60];
    expect(await judge(file, [gap], truth)).toMatchObject({ frames: 48, exact: 48, wrong: 0, misplaced: 0 });
  });
});

describe('what is written', async () => {
  describe.each(await toolSets())('by ffmpeg %s', (_, given: Tools) => {
    const file = () => drawnClip('MP4, index first', 5, '-c:a', 'aac');
    const hole = (clip: Buffer, unit: number): Gap => {
      const { start, end } = readClip(new HoledBytes(clip, []), [])!.units[unit]!.units.at(-1)!;
      return [end - Math.min(40, (end - start) >> 1), end - 4];
    };

    test('damaged and tainted frames carry their marks, the others none; the sound stays', async () => {
      const clip = file();
      const { result, written } = await salvage(clip, [hole(clip, 15)], { tools: given, exactCopy: true });
      expect(result!.classes).toEqual([
        { class: 'exact', first: 0, count: 15 },
        { class: 'damaged', first: 15, count: 1 },
        { class: 'tainted', first: 16, count: 8 },
        { class: 'exact', first: 24, count: 24 },
      ]);
      expect(result).toMatchObject({ frames: 48, frameRate: 25 });
      expect(result!.note).toMatch(
        /^39 of 48 frames are exact, 1 damaged, 8 refer to damaged or missing ones, 0 are missing/,
      );
      expect(result!.note).toMatch(/encoded again/);
      expect(written.sort()).toEqual(
        [...result!.stills.map((path) => path.split('/').at(-1)), 'out.exact.mp4', 'out.mp4'].sort(),
      );
      expect(complaints(result!.path, given)).not.toMatch(/error|warning|invalid|missing|discont|concealing|gap/i);
      expect(complaints(result!.exactPath!, given)).not.toMatch(
        /error|warning|invalid|missing|discont|concealing|gap/i,
      );
      const facts = await probe(given, result!.path, mp4);
      expect(facts).toMatchObject({ width: 192, height: 128, frames: 48 });
      expect(facts!.seconds).toBeCloseTo(1.92, 1);

      const size = { width: 192, height: 128 };
      // Stripes across the corner: light and dark both there, next to each other.
      const striped = (place: number, row: number) => {
        const levels = lumaOf(result!.path, place, size, given).subarray(row * 192, row * 192 + 64);
        return (
          Math.min(...levels) < 70 && Math.max(...levels) > 170 && new Set(levels.map((level) => level >> 5)).size <= 7
        );
      };
      expect([striped(15, 1), striped(15, 8), striped(16, 1)]).toEqual([true, true, true]);
      const original = freshPath('original.mp4');
      writeFileSync(original, clip);
      for (const place of [3, 30]) {
        const [own, same] = [lumaOf(result!.path, place, size, given), lumaOf(original, place, size, given)];
        expect(own.reduce((sum, level, i) => sum + Math.abs(level - same[i]!), 0) / own.length).toBeLessThan(6);
      }
      const heard = execFileSync(given.ffmpeg, ['-v', 'error', '-i', result!.path, '-map', '0:a', '-f', 's16le', '-'], {
        maxBuffer: 1 << 26,
      });
      expect(heard.length / 2 / 44100).toBeGreaterThan(1.7);
    });

    test('the exact copy holds the frames bit for bit, each at its time', async () => {
      const clip = file();
      const { result } = await salvage(clip, [hole(clip, 15)], { tools: given, exactCopy: true });
      const original = freshPath('original.mp4');
      writeFileSync(original, clip);
      const truth = frameSums(original, 'mov', given);
      expect(frameSums(result!.exactPath!, 'mov', given)).toEqual(
        truth.filter((_, place) => place < 15 || place >= 24),
      );
      expect((await probe(given, result!.exactPath!, mp4))!.seconds).toBeCloseTo(1.92, 1);
    });

    test('stills show exact frames as they were', async () => {
      const clip = file();
      const { result } = await salvage(clip, [hole(clip, 15)], { tools: given, stills: 3 });
      expect(result!.stills).toHaveLength(3);
      const original = freshPath('original.mp4');
      writeFileSync(original, clip);
      for (const path of result!.stills) {
        const place = Number(/frame-(\d+)\.png$/.exec(path)![1]);
        expect(place < 15 || place >= 24).toBe(true);
        const expected = freshPath('expected.png');
        const pick = ['-vf', `select=eq(n\\,${place})`, '-frames:v', '1', '-vsync', '0', '-y', expected];
        execFileSync(given.ffmpeg, ['-v', 'error', '-i', original, ...pick]);
        const [own, same] = await Promise.all([path, expected].map((one) => sharp(one).removeAlpha().raw().toBuffer()));
        expect(own!.equals(same!)).toBe(true);
      }
    });

    test('held: the last exact frame stays in place of what is not exact', async () => {
      const clip = file();
      const { result } = await salvage(clip, [hole(clip, 15)], { tools: given, damagedFrames: 'held' });
      const size = { width: 192, height: 128 };
      const inside = (place: number) => {
        const luma = lumaOf(result!.path, place, size, given);
        return Buffer.concat(
          Array.from({ length: 100 }, (_, y) => luma.subarray((y + 14) * 192 + 14, (y + 14) * 192 + 178)),
        );
      };
      const [exact, held, later] = [inside(14), inside(15), inside(22)];
      const apart = (a: Buffer, b: Buffer) => a.reduce((sum, level, i) => sum + Math.abs(level - b[i]!), 0) / a.length;
      expect(apart(exact, held)).toBeLessThan(6);
      expect(apart(exact, later)).toBeLessThan(6);
      expect(apart(exact, inside(30))).toBeGreaterThan(8);
      expect(result!.note).toMatch(/last exact frame is held/);
    });
  });

  test.runIf(tools)('frames of which nothing arrived are slates on the same time line', async () => {
    const file = drawnClip('transport stream', 5, '-c:a', 'aac');
    const clip = readClip(new HoledBytes(file, []), [])!;
    const times = clip.units.map((unit) => unit.times!.present);
    expect(times).not.toContain(null);
    const third = Math.floor(file.length / 3 / 188) * 188;
    const { result } = await salvage(file, [[third, third + 188 * 60]]);
    expect(result!.frames).toBe(48);
    expect(result!.classes.some((run) => run.class === 'missing')).toBe(true);
    expect(complaints(result!.path)).not.toMatch(/error|invalid|missing/i);
    const { first } = result!.classes.find((run) => run.class === 'missing')!;
    const luma = lumaOf(result!.path, first, { width: 192, height: 128 });
    expect([Math.min(...luma) > 70, Math.max(...luma) < 150]).toEqual([true, true]);
    expect((await probe(tools!, result!.path, mp4))!.frames).toBe(48);
  });

  test.skipIf(!tools || process.platform === 'win32')(
    'an ffmpeg without x264 encodes otherwise, without delay',
    async () => {
      const file = drawnClip('annex B');
      const path = freshPath('ffmpeg');
      writeFileSync(path, `#!/bin/sh\ncase "$*" in *libx264*) exit 1;; esac\nexec "${tools!.ffmpeg}" "$@"\n`, {
        mode: 0o755,
      });
      const began = Date.now();
      const { result } = await salvage(file, [[5000, 5100]], { tools: { ...tools!, ffmpeg: path } });
      expect(Date.now() - began).toBeLessThan(30_000);
      expect(await probe(tools!, result!.path, mp4)).toMatchObject({ codec: 'mpeg4', frames: 48 });
    },
  );

  test.runIf(tools)('nothing is left behind where nothing can be shown', async () => {
    const file = drawnClip('MP4, index last');
    for (const gaps of [[[0, file.length]], [[32, file.length]]] as Gap[][]) {
      const { result, written } = await salvage(file, gaps);
      expect([result, written]).toEqual([null, []]);
    }
    expect((await salvage(file, [], { tools: null })).result).toBeNull();
    const text = Buffer.from('no clip at all, only words\n'.repeat(400));
    expect((await salvage(text, [[100, 200]])).result).toBeNull();
  });

  test.runIf(tools)('a file that ends early is a file with a gap at its end', async () => {
    const file = drawnClip('annex B');
    const path = freshPath('short');
    writeFileSync(path, file.subarray(0, file.length >> 1));
    const request = { path, gaps: [], bytes: file.length, outBase: freshPath('out'), tools };
    const result = await salvageVideo(request);
    expect(result!.classes[0]).toMatchObject({ class: 'exact', first: 0 });
    expect(result!.classes.at(-1)!.class).toBe('missing');
    expect(readFileSync(result!.path).length).toBeGreaterThan(1000);
  });
});
