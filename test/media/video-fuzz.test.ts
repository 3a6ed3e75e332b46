// Hostile and broken clips: whatever is cut, flipped, repeated or lost, the readers come to an end and never throw.

import { writeFileSync } from 'node:fs';
import { describe, expect, test } from 'vitest';
import { HoledBytes } from '../../src/media/video/holed-bytes.js';
import { videoEntry } from '../../src/media/video/mp4-write.js';
import { readClip } from '../../src/media/video/read-clip.js';
import { salvageVideo } from '../../src/media/video/salvage-video.js';
import { timelineOf } from '../../src/media/video/timeline.js';
import { readTransportStream } from '../../src/media/video/transport-stream.js';
import { mutate, randomFor } from '../support/mutate.js';
import { tools } from './drawn.js';
import { type ClipName, clips, drawnClip, freshPath, type Gap, holed, lostSegments } from './video-clips.js';

/** More by hand: FUZZ_ROUNDS=2000 npx vitest run ... */
const count = Number(process.env['FUZZ_ROUNDS'] ?? 300);

describe.runIf(tools)('mutated clips with holes', () => {
  const names = Object.keys(clips) as ClipName[];
  test('are read without a crash or a hang, and every frame has one class', () => {
    const random = randomFor(1, 'video fuzz');
    let slowest = 0;
    let read = 0;
    for (let n = 0; n < count; n++) {
      const file = mutate(drawnClip(names[n % names.length]!), random);
      const gaps = lostSegments(file, [0, 0.01, 0.2][n % 3]!, 1 + (n % 4), random);
      if (n % 5 === 0) gaps.push([0, Math.min(file.length, 1 + Math.floor(random() * 300))] as Gap);
      const began = performance.now();
      const clip = readClip(new HoledBytes(holed(file, gaps), gaps), [drawnClip('annex B').subarray(4, 30)]);
      if (clip) {
        read++;
        expect(clip.units).toHaveLength(clip.pictures.length);
        const { frames } = timelineOf(clip);
        const placed = frames.flatMap(({ unit }) => (unit === null ? [] : [unit]));
        expect(new Set(placed).size).toBe(placed.length);
        expect(placed).toHaveLength(clip.pictures.filter((picture) => picture.shown).length);
        videoEntry(clip);
      }
      slowest = Math.max(slowest, performance.now() - began);
    }
    expect(read).toBeGreaterThan(count / 3);
    expect(slowest).toBeLessThan(10_000);
    if (process.env['FUZZ_ROUNDS']) console.log(`${count} clips, ${read} read, slowest ${slowest.toFixed(0)} ms`);
  });

  test('a transport stream put in order where it lies gives the same as in memory of its own', () => {
    const random = randomFor(3, 'video fuzz');
    let [read, inPlace] = [0, 0];
    for (let n = 0; n < count / 3; n++) {
      const whole = drawnClip(n % 2 === 0 ? 'transport stream' : 'H.265 in a transport stream');
      const file = n % 3 === 0 ? whole : mutate(whole, random);
      const gaps = lostSegments(file, [0, 0.01, 0.2][n % 3]!, 1 + (n % 4), random);
      const own = readTransportStream(new HoledBytes(holed(file, gaps), gaps));
      const bytes = holed(file, gaps);
      const over = readTransportStream(new HoledBytes(bytes, gaps), true);
      expect(over.map((stream) => stream.data.gaps)).toEqual(own.map((stream) => stream.data.gaps));
      for (const [i, { data, ...told }] of over.entries()) {
        const { data: wanted, ...toldOwn } = own[i]!;
        expect(told).toEqual(toldOwn);
        expect(data.bytes.equals(wanted.bytes)).toBe(true);
        if (data.bytes.buffer === bytes.buffer && data.length > file.length / 2) inPlace++;
      }
      if (over.length > 0) read++;
    }
    expect(read).toBeGreaterThan(count / 6);
    expect(inPlace).toBeGreaterThan(count / 10);
  });

  test('some of them go all the way through ffmpeg', async () => {
    const random = randomFor(2, 'video fuzz');
    for (let n = 0; n < 10; n++) {
      const file = mutate(drawnClip(names[(5 * n) % names.length]!), random);
      const gaps = lostSegments(file, 0.02, 2, random);
      const path = freshPath('clip');
      writeFileSync(path, holed(file, gaps));
      const result = await salvageVideo({
        path,
        gaps,
        bytes: file.length,
        outBase: freshPath('out'),
        tools,
        stills: 1,
      });
      if (result) expect(result.classes.reduce((sum, run) => sum + run.count, 0)).toBe(result.frames);
    }
  });
});
