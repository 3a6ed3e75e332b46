// The readers of NAL units against the standards' own tables and against ffprobe, which reads the same clips whole.
import { execFileSync } from 'node:child_process';
import { writeFileSync } from 'node:fs';
import { describe, expect, test } from 'vitest';
import { BitReader } from '../../src/media/video/bit-reader.js';
import type { Clip } from '../../src/media/video/clip.js';
import { h264Codec, h265Codec } from '../../src/media/video/codecs.js';
import type { H264Slice } from '../../src/media/video/h264-slice.js';
import type { H265Slice } from '../../src/media/video/h265-slice.js';
import { HoledBytes } from '../../src/media/video/holed-bytes.js';
import { splitByteStream, splitLengthPrefixed } from '../../src/media/video/nal-units.js';
import { parameterUnits } from '../../src/media/video/parameter-store.js';
import { readClip } from '../../src/media/video/read-clip.js';
import { timelineOf } from '../../src/media/video/timeline.js';
import { tools } from './drawn.js';
import { boxSpan, type ClipName, clips, drawnClip, freshPath } from './video-clips.js';

function probed(file: Buffer, demuxer: string, entries: string): Record<string, string>[] {
  const path = freshPath('clip');
  writeFileSync(path, file);
  const args = ['-v', 'error', '-f', demuxer, '-select_streams', 'v:0', '-show_entries', entries, '-of', 'json', path];
  const env = { ...process.env, ...tools!.probeEnvironment };
  const found = JSON.parse(execFileSync(tools!.ffprobe, args, { env }).toString()) as Record<string, never>;
  return found['frames'] ?? found['packets'] ?? found['streams'] ?? [];
}

const read = (file: Buffer): Clip => readClip(new HoledBytes(file, []), [])!;

describe('bits', () => {
  // H.264, tables 9-2 and 9-3: bit strings and the numbers they stand for.
  const codes = ['1', '010', '011', '00100', '00101', '00110', '00111', '0001000', '0001001', '0001010'];
  test.each(codes.map((code, number) => [code, number] as const))(
    '%s stands for %i (H.264, table 9-2)',
    (code, number) => {
      const byte = Number.parseInt(code.padEnd(8, '1'), 2);
      expect(new BitReader(Uint8Array.from([byte, 255]), 0).unsigned()).toBe(number);
    },
  );

  test.each([0, 1, -1, 2, -2, 3, -3, 4, -4, 5])('signed numbers alternate (H.264, table 9-3): %i', (value) => {
    const code = codes[value > 0 ? 2 * value - 1 : -2 * value]!;
    expect(new BitReader(Uint8Array.from([Number.parseInt(code.padEnd(8, '1'), 2)]), 0).signed()).toBe(value);
  });

  test('an emulation prevention byte is left out, also when it is met inside a field', () => {
    const bits = new BitReader(Uint8Array.from([0x12, 0, 0, 3, 1, 0, 0, 3, 0, 0, 3, 2]), 0);
    expect([4, 32, 32, 4].map((count) => bits.bits(count))).toEqual([1, 0x20000010, 0, 2]);
    expect(bits.overrun).toBe(false);
    bits.flag();
    expect(bits.overrun).toBe(true);
  });

  test('a code of nothing but zeros ends', () => {
    const bits = new BitReader(new Uint8Array(100), 0);
    expect([bits.unsigned(), bits.overrun]).toEqual([0, true]);
  });
});

describe('bytes with holes', () => {
  const data = new HoledBytes(Buffer.from('0123456789'), [
    [6, 8],
    [2, 3],
  ]);
  test('what lies in a gap is unknown', () => {
    expect(data.text(0, 2)).toBe('01');
    expect(data.text(1, 2)).toBeNull();
    expect([data.knownEnd(0), data.knownEnd(2), data.knownEnd(3), data.knownEnd(9)]).toEqual([2, 2, 6, 10]);
    expect([data.nextKnown(2), data.nextKnown(3), data.nextKnown(7), data.nextKnown(12)]).toEqual([3, 3, 8, 10]);
    expect([data.unknownIn(0, 10), data.unknownIn(7, 10), data.unknownIn(3, 6)]).toEqual([3, 1, 0]);
    expect([data.isKnown(8, 10), data.isKnown(8, 11), data.uint(3, 2)]).toEqual([true, false, 0x3334]);
  });

  test('a start code inside a gap is not seen, and a unit that runs into one is cut', () => {
    const bytes = Buffer.from([0, 0, 1, 0x67, 9, 9, 0, 0, 1, 0x68, 7, 7, 0, 0, 1, 0x65, 5, 5]);
    expect([...splitByteStream(new HoledBytes(bytes, [[5, 8]]), 1)]).toEqual([
      { start: 3, end: 5, knownEnd: 5, whole: false },
      { hole: 7 },
      { start: 15, end: 18, knownEnd: 18, whole: true },
    ]);
  });

  test('a chain of lengths goes on behind a hole in a unit and ends at an unknown length', () => {
    const bytes = Buffer.from([0, 0, 0, 3, 0x65, 5, 5, 0, 0, 0, 2, 0x41, 1, 0, 0, 0, 2, 0x41, 2]);
    const split = (gap: [number, number]) => [...splitLengthPrefixed(new HoledBytes(bytes, [gap]), 0, 19, 4, 1)];
    expect(split([5, 6])).toMatchObject([{ whole: false, knownEnd: 5 }, { start: 11, whole: true }, { start: 17 }]);
    expect(split([7, 8])).toEqual([{ start: 4, end: 7, knownEnd: 7, whole: true }, { hole: 12 }]);
  });
});

describe.runIf(tools)('against ffprobe', () => {
  const names = Object.keys(clips) as ClipName[];
  test.each(names)('%s: size, rate and number of frames', (name) => {
    const [stream] = probed(drawnClip(name), clips[name][1], 'stream=width,height,r_frame_rate,codec_name');
    const clip = read(drawnClip(name));
    expect(clip).toMatchObject({
      codec: stream!['codec_name'],
      size: { width: stream!['width'], height: stream!['height'] },
    });
    const timeline = timelineOf(clip);
    expect(timeline.frames).toHaveLength(48);
    expect(timeline.frameRate).toBeCloseTo(25, 1);
    expect(timeline.frames.every((frame) => frame.class === 'exact')).toBe(true);
  });

  test.each(names.filter((name) => !name.includes('JPEG')))(
    '%s: the type of each picture, in the order shown',
    (name) => {
      const types = probed(drawnClip(name), clips[name][1], 'frame=pict_type').map((frame) => frame['pict_type']);
      const clip = read(drawnClip(name));
      const own = timelineOf(clip).frames.map(({ unit }) => {
        const [slice] = clip.units[unit!]!.slices as [H264Slice | H265Slice];
        return 'own' in slice ? slice.own!.type : slice.type;
      });
      expect(own).toEqual(types);
    },
  );

  test('times of a transport stream', () => {
    const packets = probed(drawnClip('transport stream'), 'mpegts', 'packet=pts_time');
    const times = packets.map((packet) => Number(packet['pts_time']));
    const clip = read(drawnClip('transport stream'));
    for (const [i, unit] of clip.units.entries()) {
      expect(unit.times!.present! - clip.units[0]!.times!.present!).toBeCloseTo(times[i]! - times[0]!, 4);
    }
  });

  test('avcC and hvcC give the parameter sets that the byte stream holds', () => {
    const record = (clip: Buffer, type: string) => {
      const [start, end] = boxSpan(clip, type);
      return parameterUnits(clip.subarray(start + 8, end));
    };
    const h264 = read(drawnClip('annex B with B-frames'));
    expect(record(drawnClip('MP4, index last'), 'avcC')).toEqual(h264.parameterSets);
    const h265 = record(drawnClip('H.265 in MP4'), 'hvcC');
    expect(h265.length).toBeGreaterThanOrEqual(3);
    for (const unit of read(drawnClip('H.265, annex B')).parameterSets) expect(h265).toContainEqual(unit);
    expect(parameterUnits(h264.parameterSets[0]!)).toEqual([h264.parameterSets[0]]);
  });

  test('a slice header that is cut anywhere is read whole or not at all', () => {
    for (const [name, make] of [
      ['annex B with B-frames', h264Codec],
      ['H.265, annex B', h265Codec],
    ] as const) {
      const file = drawnClip(name);
      const codec = make() as ReturnType<typeof h264Codec>;
      for (const unit of read(file).parameterSets) codec.learn(unit);
      for (const piece of splitByteStream(new HoledBytes(file, []), codec.headerBytes)) {
        if ('hole' in piece) continue;
        const unit = file.subarray(piece.start, piece.end);
        if (codec.role(unit) !== 'slice') continue;
        const whole = codec.readSlice(unit);
        expect(whole).not.toBeNull();
        for (let length = codec.headerBytes; length < 24; length++) {
          const part = codec.readSlice(unit.subarray(0, length));
          if (part !== null) expect(part).toEqual(whole);
        }
      }
    }
  });
});
