// The outside judge of how parameter sets are written is ffmpeg's session description (RFC 4566 with RFC 6184 and RFC 7798);
// that of the frames is its decode of the intact clip.
import { execFileSync } from 'node:child_process';
import { readdirSync, readFileSync, writeFileSync } from 'node:fs';
import { dirname } from 'node:path';
import { describe, expect, test } from 'vitest';
import { salvageMedia } from '../../src/media/salvage.js';
import { parseMission } from '../../src/mission/mission-file.js';
import { parameterSetBytes } from '../../src/mission/parameter-sets.js';
import { exampleWith } from '../mission/example.js';
import { tools } from './drawn.js';
import { boxSpan, type ClipName, drawnClip, freshPath, type Gap } from './video-clips.js';

/** The `a=fmtp` line that ffmpeg writes for the clip, which is sent to no one but this machine's discard port. */
function descriptionOf(clip: Buffer): string {
  const path = freshPath('clip.mp4');
  writeFileSync(path, clip);
  const sdp = freshPath('description');
  const send = ['-t', '0.04', '-an', '-c', 'copy', '-f', 'rtp', '-sdp_file', sdp, 'rtp://127.0.0.1:9'];
  execFileSync(tools!.ffmpeg, ['-v', 'error', '-y', '-i', path, ...send], { stdio: 'pipe' });
  return /a=fmtp:\d+ (.*)/.exec(readFileSync(sdp, 'utf8'))![1]!;
}

/** What the mission file gives to salvage. */
function knownFrom(text: string): Buffer[] {
  const mission = parseMission(
    exampleWith(['  descriptor: { file: 0 }', `  parameterSets:\n    - "${text}"`]),
    'mission.yaml',
  );
  return mission.files.parameterSets!.map(parameterSetBytes);
}

async function salvage(file: Buffer, gaps: Gap[], knownParameterSets: Buffer[]) {
  const path = freshPath('partial');
  // As it lies in the output folder: zeros where nothing arrived.
  const zeroed = Buffer.from(file);
  for (const [start, end] of gaps) zeroed.fill(0, start, end);
  writeFileSync(path, zeroed);
  const outBase = freshPath('out');
  const result = await salvageMedia({ path, gaps, bytes: file.length, outBase, tools, knownParameterSets });
  return { result, written: readdirSync(dirname(outBase)) };
}

const exactFrames = (result: Awaited<ReturnType<typeof salvageMedia>>) =>
  (result?.frames ?? []).reduce((sum, run) => sum + (run.class === 'exact' ? run.count : 0), 0);

describe.runIf(tools)('parameter sets of the mission file', () => {
  const h264 = (name: ClipName) => /sprop-parameter-sets=([^;\s]+)/.exec(descriptionOf(drawnClip(name)))![1]!;
  const lines: Record<string, () => string> = {
    'MP4, index last': () => h264('MP4, index last'),
    'H.265 in MP4': () => /sprop-.*/.exec(descriptionOf(drawnClip('H.265 in MP4')))![0]!,
  };
  test.each(Object.keys(lines) as ClipName[])(
    '%s: in the words of a session description they bring back a clip whose index is lost',
    async (name) => {
      const file = drawnClip(name);
      const gaps = [boxSpan(file, 'moov')];
      expect(await salvage(file, gaps, [])).toEqual({ result: null, written: [] });
      const { result } = await salvage(file, gaps, knownFrom(lines[name]!()));
      expect(exactFrames(result)).toBe(48);
      expect(result!.note).toMatch(/parameter sets did not arrive: those of another clip or of the mission file/);
    },
  );

  test('a clip whose first segment is lost is known by its frames, and nothing else is', async () => {
    const text = h264('MP4, index last');
    for (const name of ['annex B with B-frames', 'transport stream', 'MP4, index first'] as const) {
      const file = drawnClip(name);
      const own = name === 'MP4, index first' ? h264(name) : text;
      const { result } = await salvage(file, [[0, 1004]], knownFrom(own));
      // Of a stream in which they are repeated, the first sequence of 12 or its first frames can be lost with them.
      expect([name, exactFrames(result) >= 36]).toEqual([name, true]);
    }
    const noise = Buffer.from(Array.from({ length: 40_000 }, (_, i) => (i * i * 2654435761) >>> 13));
    expect(await salvage(noise, [[0, 1004]], knownFrom(text))).toEqual({ result: null, written: [] });
  });

  test('a bare H.265 stream, and JPEGs one behind the other, are clips', async () => {
    for (const name of ['H.265, annex B', 'JPEGs one behind the other'] as const) {
      const file = drawnClip(name);
      const start = Math.floor(0.41 * file.length);
      const { result } = await salvage(file, [[start, start + 300]], []);
      expect([name, exactFrames(result) >= 12]).toEqual([name, true]);
      expect([name, result!.frames!.some((run) => run.class !== 'exact')]).toEqual([name, true]);
    }
  });
});
