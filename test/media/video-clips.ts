// Clips for the video tests: drawn once per run in each coding and container, holed by seed, judged by framemd5.
import { execFileSync } from 'node:child_process';
import { mkdtempSync, readFileSync, rmSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { onTestFinished } from 'vitest';
import { findFfmpeg, type Tools } from '../../src/media/ffmpeg.js';
import { tools } from './drawn.js';

export type Gap = [start: number, end: number];

const h264 = ['-c:v', 'libx264', '-crf', '16', '-g', '12', '-pix_fmt', 'yuv420p', '-threads', '1'];
const plain = [...h264, '-bf', '0', '-refs', '1'];
const h265 = [
  '-c:v',
  'libx265',
  '-x265-params',
  'keyint=12:min-keyint=12:log-level=none:pools=1',
  '-pix_fmt',
  'yuv420p',
];

/** Encoding, demuxer to decode with. */
export const clips = {
  'annex B': [[...plain, '-f', 'h264'], 'h264'],
  'annex B with B-frames': [[...h264, '-f', 'h264'], 'h264'],
  'annex B with open GOPs': [[...h264, '-x264-params', 'open-gop=1', '-f', 'h264'], 'h264'],
  'annex B with slices': [[...plain, '-slices', '3', '-f', 'h264'], 'h264'],
  'annex B, interlaced': [[...h264, '-flags', '+ilme+ildct', '-x264-params', 'tff=1', '-f', 'h264'], 'h264'],
  'annex B without arithmetic coding': [[...h264, '-coder', '0', '-bf', '2', '-f', 'h264'], 'h264'],
  'MP4, index last': [[...h264, '-f', 'mp4'], 'mov'],
  'MP4, index first': [[...plain, '-movflags', '+faststart', '-f', 'mp4'], 'mov'],
  'fragmented MP4': [[...h264, '-movflags', '+frag_keyframe+empty_moov', '-f', 'mp4'], 'mov'],
  'transport stream': [[...h264, '-f', 'mpegts'], 'mpegts'],
  'H.264 in AVI': [[...plain, '-f', 'avi'], 'avi'],
  'H.265, annex B': [[...h265, '-f', 'hevc'], 'hevc'],
  'H.265 in MP4': [[...h265, '-f', 'mp4'], 'mov'],
  'H.265 in a transport stream': [[...h265, '-f', 'mpegts'], 'mpegts'],
  'motion JPEG in AVI': [['-c:v', 'mjpeg', '-q:v', '4', '-pix_fmt', 'yuvj420p', '-f', 'avi'], 'avi'],
  'motion JPEG in MP4': [['-c:v', 'mjpeg', '-q:v', '4', '-pix_fmt', 'yuvj420p', '-f', 'mov'], 'mov'],
  'JPEGs one behind the other': [['-c:v', 'mjpeg', '-q:v', '4', '-pix_fmt', 'yuvj420p', '-f', 'mjpeg'], 'mjpeg'],
} as const;

export type ClipName = keyof typeof clips;

const folder = mkdtempSync(join(tmpdir(), 'passweave-video-'));
process.once('exit', () => rmSync(folder, { recursive: true, force: true }));
const drawn = new Map<string, Buffer>();

/** 48 frames of 192 by 128, noise over a moving pattern. */
export function drawnClip(name: ClipName, seed = 5, ...more: string[]): Buffer {
  const key = [name, seed, ...more].join(' ');
  let clip = drawn.get(key);
  if (!clip) {
    const path = join(folder, 'clip');
    const source = `testsrc=size=192x128:rate=25:duration=1.92,noise=alls=24:allf=t:all_seed=${seed}`;
    const sound = more.length > 0 ? ['-f', 'lavfi', '-i', 'sine=frequency=440:duration=1.92', ...more] : [];
    const args = ['-v', 'error', '-y', '-f', 'lavfi', '-i', source, ...sound, ...clips[name][0], path];
    execFileSync(tools!.ffmpeg, args, { stdio: 'pipe' });
    clip = readFileSync(path);
    drawn.set(key, clip);
  }
  return clip;
}

/** MD5 of each frame in the order shown, by ffmpeg from the intact file. */
export function frameSums(file: string, demuxer: string, given = tools!): string[] {
  const input = ['-v', 'quiet', '-threads', '1', '-f', demuxer, '-i', file];
  const text = execFileSync(given.ffmpeg, [...input, '-map', '0:v:0', '-vsync', '0', '-f', 'framemd5', '-']).toString();
  return text.split('\n').flatMap((line) => (line === '' || line.startsWith('#') ? [] : [line.split(',')[5]!.trim()]));
}

/** What the decoder complains about. */
export function complaints(file: string, given = tools!): string {
  const args = ['-v', 'warning', '-i', file, '-map', '0', '-f', 'null', '-'];
  const [decoded, probed] = [
    execFileSync('sh', ['-c', '"$0" "$@" 2>&1', given.ffmpeg, ...args]).toString(),
    execFileSync('sh', ['-c', '"$0" "$@" 2>&1 >/dev/null', given.ffprobe, '-v', 'warning', '-show_streams', file], {
      env: { ...process.env, ...given.probeEnvironment },
    }).toString(),
  ];
  return decoded + probed;
}

export function holed(file: Buffer, gaps: readonly Gap[]): Buffer {
  const copy = Buffer.from(file);
  // Not zeros: what lies in a gap must not matter.
  for (const [start, end] of gaps) copy.fill(0x5a, start, end);
  return copy;
}

/** Segments of 251 bytes lost, alone or in bursts; never the first. */
export function lostSegments(file: Buffer, share: number, burst: number, random: () => number): Gap[] {
  const gaps: Gap[] = [];
  let losing = false;
  for (let start = 0; start < file.length; start += 251) {
    losing = losing && burst > 1 ? random() < 1 - 1 / burst : random() < share / burst;
    if (losing && start > 0) gaps.push([start, Math.min(file.length, start + 251)]);
  }
  return gaps;
}

/** `[start, end)` of a box found by its type. */
export function boxSpan(file: Buffer, type: string): Gap {
  const at = file.indexOf(type, 0, 'latin1') - 4;
  return [at, at + file.readUInt32BE(at)];
}

/** The machine's ffmpeg and the packaged one, where they differ. */
export async function toolSets(): Promise<[string, Tools][]> {
  if (!tools) return [];
  const before = process.env['PATH'];
  process.env['PATH'] = '';
  const packaged = await findFfmpeg().finally(() => (process.env['PATH'] = before));
  return packaged && packaged.ffmpeg !== tools.ffmpeg
    ? [
        ['found on PATH', tools],
        ['from the package', packaged],
      ]
    : [['found', tools]];
}

export function freshPath(name: string): string {
  const fresh = mkdtempSync(join(tmpdir(), 'passweave-test-'));
  onTestFinished(() => rmSync(fresh, { recursive: true, force: true }));
  return join(fresh, name);
}
