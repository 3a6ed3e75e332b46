// Sound of clips with holes: kept where it is, silent where it did not arrive. Judge: ffmpeg's decode of the intact clip.
import { execFileSync } from 'node:child_process';
import { writeFileSync } from 'node:fs';
import { describe, expect, test } from 'vitest';
import { HoledBytes } from '../../src/media/video/holed-bytes.js';
import { readClip } from '../../src/media/video/read-clip.js';
import { salvageVideo } from '../../src/media/video/salvage-video.js';
import { tools } from './drawn.js';
import { type ClipName, drawnClip, freshPath, type Gap, holed } from './video-clips.js';

/** All samples of the first channel, 16 bits. */
function heard(path: string): Int16Array {
  const output = ['-map', '0:a', '-ac', '1', '-ar', '44100', '-f', 's16le', '-'];
  const raw = execFileSync(tools!.ffmpeg, ['-v', 'error', '-i', path, ...output], { maxBuffer: 1 << 26 });
  return new Int16Array(raw.buffer.slice(raw.byteOffset, raw.byteOffset + (raw.length & ~1)));
}

/** Root mean square of `[from, to)` seconds. */
function level(samples: Int16Array, from: number, to: number): number {
  const part = samples.subarray(Math.round(44100 * from), Math.round(44100 * to));
  return Math.sqrt(part.reduce((sum, value) => sum + value * value, 0) / part.length);
}

const sounds: [ClipName, string][] = [
  ['motion JPEG in AVI', 'pcm_s16le'],
  ['motion JPEG in AVI', 'pcm_u8'],
  ['H.264 in AVI', 'pcm_s16le'],
  ['motion JPEG in MP4', 'pcm_s16le'],
  ['motion JPEG in MP4', 'pcm_s16be'],
  ['MP4, index first', 'aac'],
  ['fragmented MP4', 'aac'],
  ['transport stream', 'aac'],
];

describe.runIf(tools)('sound', () => {
  test.each(sounds)('%s with %s: kept at its time, silent where it did not arrive', async (name, coding) => {
    const file = drawnClip(name, 5, '-c:a', coding);
    const original = freshPath('original');
    writeFileSync(original, file);
    const loud = level(heard(original), 0.2, 1.7);
    const sound = readClip(new HoledBytes(file, []), [])!.sound!;
    // The hole takes the sound from 0.8 to 1.2 seconds, and the pictures beside it.
    const inside = sound.samples.filter(({ time }) => time / sound.timescale > 0.8 && time / sound.timescale < 1.2);
    // In a transport stream the samples are put together from packets: there the middle of the file is lost.
    const places = inside.map(({ bytes }) => bytes.byteOffset - file.byteOffset);
    const middle: Gap = [188 * Math.floor((0.4 * file.length) / 188), 188 * Math.floor((0.64 * file.length) / 188)];
    const gaps: Gap[] =
      name === 'transport stream' ? [middle] : [[Math.min(...places), places.at(-1)! + inside.at(-1)!.bytes.length]];
    expect(gaps[0]![1] - gaps[0]![0]).toBeLessThan(file.length / 2);
    const path = freshPath('partial');
    writeFileSync(path, holed(file, gaps));
    const result = await salvageVideo({ path, gaps, bytes: file.length, outBase: freshPath('out'), tools, stills: 0 });
    const kept = heard(result!.path);
    expect(kept.length / 44100).toBeGreaterThan(1.7);
    for (const [from, to] of [
      [0.3, 0.7],
      [1.35, 1.7],
    ] as const) {
      expect(level(kept, from, to) / loud).toBeGreaterThan(0.8);
      expect(level(kept, from, to) / loud).toBeLessThan(1.25);
    }
    const levels = [0.75, 0.85, 0.95, 1.05, 1.15].map((from) => level(kept, from, from + 0.08));
    expect(Math.min(...levels)).toBeLessThan(0.1 * loud);
    expect(result!.note).toMatch(/Sound that did not arrive is silence/);
  });

  test('a minute of uncompressed sound is held in pieces, not sample by sample', () => {
    const file = drawnClip('motion JPEG in MP4', 5, '-c:a', 'pcm_s16le');
    const sound = readClip(new HoledBytes(file, []), [])!.sound!;
    expect(sound.samples.length).toBeLessThan(400);
    const frames = sound.samples.reduce((sum, { duration }) => sum + duration, 0);
    expect(frames / sound.timescale).toBeCloseTo(1.92, 1);
  });
});
