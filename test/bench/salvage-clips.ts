// How much of a clip with holes is recognised as exact, beside ffmpeg alone: clips made from photographs of a Debian
// package by pan, zoom and noise, in several codings and containers, with seeded holes; the judge is the decode of the
// intact clip by ffmpeg (framemd5). Run: npx tsx test/bench/salvage-clips.ts [--tune] [--photos FOLDER] [--only NAME]
// The photographs come with `apt-get download python3-skimage` at run time, or lie in the folder named.
import { execFileSync } from 'node:child_process';
import { existsSync, mkdirSync, mkdtempSync, readdirSync, readFileSync, rmSync, writeFileSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { findFfmpeg } from '../../src/media/ffmpeg.js';
import { checkClasses } from '../../src/media/video/check-classes.js';
import { HoledBytes } from '../../src/media/video/holed-bytes.js';
import { videoEntry } from '../../src/media/video/mp4-write.js';
import { readClip } from '../../src/media/video/read-clip.js';
import { timelineOf } from '../../src/media/video/timeline.js';
import { seededRandom } from '../../src/rehearsal/random.js';

type Gap = [start: number, end: number];
type Variant = {
  readonly extension: string;
  readonly demuxer: string;
  readonly encoding: readonly string[];
  /** Cuts these bytes out as well: the index. */
  readonly lost?: (file: Buffer) => Gap[];
  /** A clip of the same settings, whole, from which the parameter sets are known. */
  readonly sibling?: boolean;
};

const x264 = ['-c:v', 'libx264', '-preset', 'medium', '-crf', '22', '-g', '30'];
const plain = [...x264, '-bf', '0', '-refs', '1'];
const mp4 = { extension: 'mp4', demuxer: 'mov' };
const annexB = { extension: 'h264', demuxer: 'h264' };
const variants: Record<string, Variant> = {
  'Annex B, GOP 30': { ...annexB, encoding: [...plain, '-f', 'h264'] },
  'Annex B, B-frames': { ...annexB, encoding: [...x264, '-f', 'h264'] },
  'Annex B, 4 slices': { ...annexB, encoding: [...plain, '-slices', '4', '-f', 'h264'] },
  'Annex B, all intra': { ...annexB, encoding: [...x264, '-g', '1', '-f', 'h264'] },
  'Annex B, open GOP': { ...annexB, encoding: [...x264, '-x264-params', 'open-gop=1', '-f', 'h264'] },
  'MP4, moov last, B-frames': { ...mp4, encoding: [...x264, '-f', 'mp4'] },
  'MP4, moov first': { ...mp4, encoding: [...plain, '-movflags', '+faststart', '-f', 'mp4'] },
  'MP4, moov lost, sibling': { ...mp4, encoding: [...plain, '-f', 'mp4'], lost: boxSpan('moov'), sibling: true },
  'MP4, fragmented': { ...mp4, encoding: [...x264, '-movflags', '+frag_keyframe+empty_moov', '-f', 'mp4'] },
  'transport stream, B-frames': { extension: 'ts', demuxer: 'mpegts', encoding: [...x264, '-f', 'mpegts'] },
  'H.265, Annex B': {
    extension: 'h265',
    demuxer: 'hevc',
    encoding: [
      '-c:v',
      'libx265',
      '-preset',
      'fast',
      '-crf',
      '20',
      '-x265-params',
      'keyint=30:log-level=none',
      '-f',
      'hevc',
    ],
  },
  'H.265, MP4': {
    ...mp4,
    encoding: [
      '-c:v',
      'libx265',
      '-preset',
      'fast',
      '-crf',
      '20',
      '-x265-params',
      'keyint=30:log-level=none',
      '-f',
      'mp4',
    ],
  },
  'MJPEG, AVI': { extension: 'avi', demuxer: 'avi', encoding: ['-c:v', 'mjpeg', '-q:v', '5', '-f', 'avi'] },
};

const segmentBytes = 1004;
const none = {
  frames: 0,
  arrived: 0,
  shown: 0,
  whole: 0,
  alone: 0,
  identical: 0,
  exact: 0,
  both: 0,
  wrong: 0,
  misplaced: 0,
};
const losses = { '1 %': [0.01, 1], '1 % in bursts': [0.01, 8], '0.2 %': [0.002, 1] } as const;

const args = process.argv.slice(2);
const option = (name: string) => (args.includes(name) ? args[args.indexOf(name) + 1] : undefined);
const work = mkdtempSync(join(tmpdir(), 'passweave-clips-'));
process.once('exit', () => rmSync(work, { recursive: true, force: true, maxRetries: 3 }));

const tools = await findFfmpeg({
  ...(option('--ffmpeg') ? { ffmpegPath: option('--ffmpeg')! } : {}),
  ...(option('--ffprobe') ? { ffprobePath: option('--ffprobe')! } : {}),
});
if (!tools) throw new Error('this bench needs ffmpeg');

// Tuned on the first; the others were not looked at until the end.
const photographs = args.includes('--tune') ? ['coffee.png'] : ['rocket.jpg', 'motorcycle_left.png'];
const folder = option('--photos') ?? fetchPhotographs();
console.log(
  `| clip | loss | frames | all bytes arrived | of these shown | read as whole | ffmpeg alone, identical | identical | classed exact | of the identical | exact but not identical | at the wrong place |`,
);
console.log('|---|---|---|---|---|---|---|---|---|---|---|---|');
for (const [name, variant] of Object.entries(variants)) {
  if (option('--only') && !name.includes(option('--only')!)) continue;
  for (const [loss, [share, burst]] of Object.entries(losses)) {
    const sum = { ...none };
    for (const photograph of photographs) {
      const clip = join(work, `${photograph}.${name.replace(/\W/g, '')}.${variant.extension}`);
      try {
        if (!existsSync(clip)) makeClip(join(folder, photograph), clip, variant, 1);
      } catch {
        console.log(`| ${name} | – | no encoder |`);
        break;
      }
      const known = variant.sibling ? [siblingSets(join(folder, photograph), variant)] : [];
      for (let seed = 1; seed <= 3; seed++) {
        const score = await scoreOne(clip, variant, holes(clip, variant, share, burst, seed), known);
        for (const key of Object.keys(sum) as (keyof typeof sum)[]) sum[key] += score[key];
      }
    }
    if (sum.frames === 0) break;
    const percent = (part: number, whole = sum.frames) => (whole === 0 ? '–' : ((100 * part) / whole).toFixed(1));
    console.log(
      `| ${name} | ${loss} | ${sum.frames} | ${sum.arrived === 0 ? '–' : percent(sum.arrived)} | ${percent(sum.shown, sum.arrived)} | ${percent(sum.whole)} | ${percent(sum.alone)} | ${percent(sum.identical)} | ${percent(sum.exact)} | ${percent(sum.both, sum.identical)} | ${sum.wrong} | ${sum.misplaced} |`,
    );
  }
}

function fetchPhotographs(): string {
  const place = join(work, 'package');
  mkdirSync(place);
  execFileSync('apt-get', ['download', '-qq', 'python3-skimage'], { cwd: place, stdio: 'ignore' });
  const archive = readdirSync(place).find((file) => file.endsWith('.deb'))!;
  execFileSync('dpkg', ['-x', archive, '.'], { cwd: place });
  return join(place, 'usr/lib/python3/dist-packages/skimage/data');
}

/** 150 frames of 320 by 240: slow zoom and pan over a photograph, sensor noise. */
function makeClip(photograph: string, clip: string, { encoding }: Variant, seed: number): void {
  const move = `zoompan=z='1.1+0.002*on':x='${3 + seed}*on':y='2*on':d=150:s=320x240:fps=25`;
  const filter = `scale=1280:-2,${move},noise=alls=8:allf=t:all_seed=${seed},format=${encoding.includes('mjpeg') ? 'yuvj420p' : 'yuv420p'}`;
  const input = ['-v', 'error', '-y', '-i', photograph, '-vf', filter, '-frames:v', '150', '-threads', '1'];
  execFileSync(tools!.ffmpeg, [...input, ...encoding, clip]);
}

function siblingSets(photograph: string, variant: Variant): Buffer {
  const clip = join(work, 'sibling.mp4');
  makeClip(photograph, clip, variant, 2);
  const file = readFileSync(clip);
  const at = file.indexOf('avcC');
  return file.subarray(at + 4, at + file.readUInt32BE(at - 4) - 4);
}

/** Whole segments lost, alone or in bursts of a mean length (two-state model). */
function holes(clip: string, { lost }: Variant, share: number, burst: number, seed: number): Gap[] {
  const file = readFileSync(clip);
  const random = seededRandom(seed, 'salvage-clips');
  const gaps: Gap[] = lost ? lost(file) : [];
  let losing = false;
  for (let start = 0; start < file.length; start += segmentBytes) {
    losing = losing ? random.float() < 1 - 1 / burst : random.float() < share / burst / (1 - share);
    if (burst === 1) losing = random.float() < share;
    // The first segment holds what tells the format; whether it arrives is another test.
    if (losing && start > 0) gaps.push([start, Math.min(start + segmentBytes, file.length)]);
  }
  return gaps;
}

async function scoreOne(path: string, { demuxer }: Variant, gaps: Gap[], known: Buffer[]) {
  const whole = readFileSync(path);
  const truth = frameSums(path, demuxer);
  const holed = Buffer.from(whole);
  for (const [start, end] of gaps) holed.fill(0, start, end);
  const holedPath = join(work, 'holed');
  writeFileSync(holedPath, holed);
  const places = new Map(truth.map((md5, i) => [md5, i]));
  const score = { ...none, frames: truth.length };
  score.alone = new Set(frameSums(holedPath, demuxer).filter((md5) => places.has(md5))).size;
  const clip = readClip(new HoledBytes(holed, gaps), known);
  const entry = clip && videoEntry(clip);
  if (!clip || !entry) return score;
  score.whole = clip.units.filter((unit) => unit.whole).length;
  const timeline = timelineOf(clip);
  const files = { all: join(work, 'all.mp4'), exact: join(work, 'exact.mp4') };
  const before = timeline.frames.filter((frame) => frame.class === 'exact').length;
  const checked = await checkClasses(tools!, clip, entry, timeline, files);
  for (const [place, frame] of timeline.frames.entries()) {
    const same = places.has(checked.all.get(place) ?? '');
    if (same) score.identical++;
    if (frame.class !== 'exact') continue;
    score.exact++;
    const md5 = checked.all.get(place)!;
    if (!places.has(md5)) score.wrong++;
    else if (places.get(md5) !== place) score.misplaced++;
    if (same) score.both++;
  }
  // What the intact clip tells of where each frame's bytes lie; in a transport stream they lie in packets of the file.
  const intact = readClip(new HoledBytes(whole, []), [])!;
  if (intact.data.bytes === whole) {
    const shown = new Set<number>();
    for (const [place, { unit, class: state }] of timeline.frames.entries()) {
      const comesOut = checked.all.has(place) && (state === 'exact' || state === 'tainted');
      if (unit !== null && comesOut) for (const { start } of clip.units[unit]!.units) shown.add(start);
    }
    for (const { units } of intact.units) {
      const [start, end] = [units[0]!.start, units.at(-1)!.end];
      if (gaps.some(([from, to]) => from < end && to > start)) continue;
      score.arrived++;
      if (units.some((unit) => shown.has(unit.start))) score.shown++;
    }
  }
  if (before !== score.exact)
    console.error(`${path}: ${before - score.exact} frames did not pass the check by decoding`);
  return score;
}

function frameSums(path: string, demuxer: string): string[] {
  const args = [
    '-v',
    'quiet',
    '-threads',
    '1',
    '-f',
    demuxer,
    '-i',
    path,
    '-map',
    '0:v:0',
    '-vsync',
    '0',
    '-f',
    'framemd5',
    '-',
  ];
  try {
    const text = execFileSync(tools!.ffmpeg, args, {
      stdio: ['ignore', 'pipe', 'ignore'],
      maxBuffer: 1 << 26,
    }).toString();
    return text
      .split('\n')
      .flatMap((line) => (line.startsWith('#') || line === '' ? [] : [line.split(',')[5]!.trim()]));
  } catch {
    return [];
  }
}

function boxSpan(type: string): (file: Buffer) => Gap[] {
  return (file) => {
    const at = file.indexOf(type, 0, 'latin1');
    return at < 4 ? [] : [[at - 4, at - 4 + file.readUInt32BE(at - 4)]];
  };
}
