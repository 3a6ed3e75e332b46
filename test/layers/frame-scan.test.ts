// The fast way over frames (WebAssembly, many at once) against the one that looks at them one by one: the same frames, the same
// fields, the same hashes, whatever the layout and whatever is damaged.
import fc from 'fast-check';
import { describe, expect, test } from 'vitest';
import { CRC_CATALOGUE } from '../../src/bytes/crc-catalogue.js';
import { encodeFrame, FrameDecoder } from '../../src/layers/frame.js';
import { FrameScan } from '../../src/layers/frame-scan.js';
import { ScanRoom } from '../../src/layers/scan-room.js';
import type { FrameField, FrameLayout } from '../../src/mission/mission.js';
import { listingSink, pushInPieces, type Surveyed } from './frame-listing.js';
import { noise, seeded } from './seeded.js';

type Choice = {
  crc: keyof typeof CRC_CATALOGUE;
  payload: number;
  counterBits: number;
  named: 'segments' | 'segment and bytes' | 'offset' | 'offset and bytes';
  statesLength: boolean;
  endian: 'big' | 'little';
  coversMarker: boolean;
};

const plain: Choice = {
  crc: 'CRC-16/IBM-3740',
  payload: 7,
  counterBits: 32,
  named: 'segments',
  statesLength: true,
  endian: 'big',
  coversMarker: true,
};

/** What stands between marker and payload: every field that there may be, in one of the two orders of bytes. */
function layoutFor(options: Choice): FrameLayout {
  const { payload, counterBits, named, statesLength, endian } = options;
  const field = (at: number, bits: number, bit = 0): FrameField => ({ at, bit, bits, endian });
  // A counter that begins inside a byte, where the order of bytes lets it.
  const counter = endian === 'big' ? field(4, counterBits, 3) : field(4, 8 * Math.ceil(counterBits / 8));
  const key = field(12, 24);
  const parameters = CRC_CATALOGUE[options.crc];
  const at = 26 + payload;
  return {
    marker: Buffer.from('1acffc1d', 'hex'),
    length: at + parameters.width / 8,
    fields: {
      counter,
      file: field(10, 16),
      ...(named.startsWith('segment') ? { segment: key } : { offset: key }),
      ...(named === 'segments' && { segments: field(15, 24) }),
      ...(named.endsWith('bytes') && { bytes: field(18, 32) }),
      ...(statesLength && { length: field(22, 16) }),
    },
    payload: { at: 26, size: payload },
    crc: { parameters, at, covers: [options.coversMarker ? 0 : 4, at], endian: options.endian },
  };
}

const layouts = fc
  .record({
    crc: fc.constantFrom(
      'CRC-8/DVB-S2' as const,
      'CRC-16/IBM-3740' as const,
      'CRC-16/KERMIT' as const,
      'CRC-16/IBM-SDLC' as const,
      'CRC-16/GENIBUS' as const,
    ),
    payload: fc.constantFrom(1, 7, 33, 64, 200),
    counterBits: fc.constantFrom(4, 13, 32, 44),
    named: fc.constantFrom(
      'segments' as const,
      'segment and bytes' as const,
      'offset' as const,
      'offset and bytes' as const,
    ),
    statesLength: fc.boolean(),
    endian: fc.constantFrom('big' as const, 'little' as const),
    coversMarker: fc.boolean(),
  })
  .map(layoutFor);

/** Frames of several files, counted on; here and there one is left out, damaged, or says what cannot be. */
function recordingOf(layout: FrameLayout, count: number, seed: number): Buffer {
  const random = seeded(seed);
  const { size } = layout.payload;
  const { fields } = layout;
  const frames: Uint8Array[] = [];
  let counter = Math.floor(random() * 2 ** Math.min(fields.counter.bits, 30));
  for (let file = 1; frames.length < count; file++) {
    const segments = 1 + Math.floor(random() * 20);
    const last = 1 + Math.floor(random() * size);
    const fileBytes = (segments - 1) * size + last;
    for (let segment = 0; segment < segments; segment++) {
      const isOdd = random() < 0.04;
      const used = segment === segments - 1 ? last : size;
      const values = {
        counter: counter++ % 2 ** fields.counter.bits,
        file,
        segment: isOdd ? segment + segments : segment,
        offset: (isOdd ? segment + segments : segment) * size,
        segments,
        bytes: fileBytes,
        length: isOdd && random() < 0.5 ? size + 1 : used,
      };
      const known = Object.fromEntries(Object.entries(values).filter(([name]) => name in fields));
      const frame = encodeFrame(layout, known, noise(used, counter));
      if (random() < 0.05) frame[Math.floor(random() * frame.length)]! ^= 1 << Math.floor(random() * 8);
      if (random() > 0.05) frames.push(frame);
      if (random() < 0.02) frames.push(noise(Math.floor(random() * 50), counter));
    }
  }
  return Buffer.concat(frames);
}

/** Small, so that it is used up at times. */
const surveyRoom = ScanRoom.take(40, 50)!;

function surveyedFor(layout: FrameLayout): Surveyed | undefined {
  const scan = FrameScan.of(layout);
  return scan && { scan, room: surveyRoom };
}

/** What a decoder hands on, pushed in the given sizes. */
function decode(
  layout: FrameLayout,
  recording: Buffer,
  sizes: readonly number[],
  way: 'one by one' | 'at once' | 'surveyed',
) {
  const { sink, listing, runs } = listingSink(layout, way !== 'one by one');
  const decoder = new FrameDecoder(layout, sink);
  const hits = pushInPieces(decoder, recording, sizes, way === 'surveyed' ? surveyedFor(layout) : undefined);
  return { heard: { ...listing, counts: decoder.counts() }, runs: runs(), hits };
}

describe('frames walked over at once', () => {
  test('are those that are found one by one, with the same fields and hashes, found beforehand or not', () => {
    let frames = 0;
    let runs = 0;
    let hits = 0;
    fc.assert(
      fc.property(
        layouts,
        fc.nat(),
        fc.array(fc.integer({ min: 1, max: 9000 }), { minLength: 1 }),
        (layout, seed, sizes) => {
          const recording = recordingOf(layout, 60, seed);
          const one = decode(layout, recording, sizes, 'one by one');
          const many = decode(layout, recording, sizes, 'at once');
          expect(many.heard).toEqual(one.heard);
          const surveyed = decode(layout, recording, sizes, 'surveyed');
          expect(surveyed.heard).toEqual(one.heard);
          hits += surveyed.hits;
          frames += many.heard.seen.length;
          runs += many.runs;
        },
      ),
      { numRuns: 150 },
    );
    // Else the two ways would be one.
    expect(runs).toBeGreaterThan(0);
    expect(frames).toBeGreaterThan(3 * runs);
    expect(hits).toBeGreaterThan(runs / 10);
  });

  test('are as many as there are, however many', () => {
    const layout = layoutFor(plain);
    for (const broken of [false, true]) {
      const frames = Array.from({ length: 9000 }, (_, n) =>
        encodeFrame(
          layout,
          { counter: broken ? 2 * n : n, file: 1, segment: n, segments: 9000, length: 7 },
          noise(7, n),
        ),
      );
      const { heard, runs } = decode(layout, Buffer.concat(frames), [1 << 19], 'at once');
      expect(heard.counts).toEqual({ intact: 9000, damaged: 0, skippedBytes: 0 });
      expect(heard.seen.map(({ fields }) => fields[2])).toEqual(Array.from({ length: 9000 }, (_, n) => n));
      // The first is found by itself; of those that do not continue each other, each is a run.
      expect(runs).toBe(broken ? 8999 : 3);
    }
  });

  test('are not for CRCs of more than 16 bits and frames without a marker', () => {
    const layout = layoutFor({ ...plain, crc: 'CRC-32/ISO-HDLC' });
    expect(FrameScan.of(layout)).toBeUndefined();
    const narrow = layoutFor(plain);
    expect(FrameScan.of({ ...narrow, marker: Buffer.alloc(0) })).toBeUndefined();
    expect(FrameScan.of(narrow)).toBeDefined();
  });
});
