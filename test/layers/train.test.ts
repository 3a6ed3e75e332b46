// Baseband frames of one header taken at once against the same ones taken one by one: the same frames at the same places, the same
// counts of every layer, whatever is lost, damaged or of another kind, and however the recording is cut.
import fc from 'fast-check';
import { expect, test } from 'vitest';
import { writeBasebandHeader } from '../../src/layers/baseband-header.js';
import { decodeChain } from '../../src/layers/chain.js';
import { encodeFrame } from '../../src/layers/frame.js';
import { FrameScan } from '../../src/layers/frame-scan.js';
import type { ModeAdaptationType } from '../../src/layers/mode-adaptation.js';
import { writeModeAdaptation } from '../../src/layers/mode-adaptation.js';
import { ScanRoom } from '../../src/layers/scan-room.js';
import { listingSink, pushInPieces } from './frame-listing.js';
import { layoutOf } from './frame-material.js';
import { noise, seeded } from './seeded.js';

const layout = layoutOf({ payload: 100 });

const surveyed = { scan: FrameScan.of(layout)!, room: ScanRoom.take(300, 600)! };

type Choice = {
  /** Mission frames in a data field, and bytes of padding behind it. */
  group: number;
  padding: number;
  adaptation: ModeAdaptationType;
  /** Chance that something happens to a baseband frame. */
  trouble: number;
  hasStream: boolean;
  seed: number;
};

const MATYPE1 = 0x70;
const SEVERAL_STREAMS = 0x50;

/** Baseband frames of whole mission frames; here and there one is lost, damaged, shorter, or of another stream or kind. */
function recordingOf({ group, padding, adaptation, trouble, seed }: Choice): Buffer {
  const random = seeded(seed);
  const hasStreams = random() < 0.3;
  let counter = 0;
  let segment = 0;
  let file = 1;
  const pieces: Uint8Array[] = [];
  for (let n = 0; n < 400; n++) {
    const isOdd = random() < trouble;
    const kind = isOdd ? Math.floor(random() * 8) : -1;
    const frames = kind === 0 ? group + 1 : group;
    const data = Array.from({ length: frames }, () => {
      if (random() < 0.02) {
        segment = 0;
        file++;
      }
      const used = random() < 0.02 ? 31 : 100;
      const values = { counter: counter++, file, segment, segments: 4000, length: used };
      segment++;
      return encodeFrame(layout, values, noise(used, segment));
    });
    const matype1 = (hasStreams ? SEVERAL_STREAMS : MATYPE1) ^ (kind === 1 ? 2 : 0);
    const matype2 = hasStreams ? Number(kind === 2) : 0;
    const dfl = 8 * frames * layout.length;
    const header = writeBasebandHeader({ matype1, matype2, upl: 0, dfl, sync: kind === 3 ? 1 : 0, syncd: 0 });
    const ahead = writeModeAdaptation({ type: adaptation, modcod: 4, esN0: 7, frameNumber: n & 255 });
    const record = Buffer.concat([ahead, header, ...data, Buffer.alloc(padding)]);
    if (kind === 4) record[ahead.length + Math.floor(random() * 10)]! ^= 1 << Math.floor(random() * 8);
    if (kind === 5) record[Math.floor(random() * record.length)]! ^= 1 << Math.floor(random() * 8);
    if (kind === 6) pieces.push(noise(1 + Math.floor(random() * 90), n));
    if (kind !== 7) pieces.push(record);
  }
  return Buffer.concat(pieces);
}

function decode(
  { hasStream }: Choice,
  recording: Buffer,
  sizes: readonly number[],
  way: 'single' | 'many' | 'surveyed',
) {
  const { sink, listing, runs } = listingSink(layout, way !== 'single');
  const names = hasStream ? ['dvb-s2', 'stream'] : ['dvb-s2'];
  const chain = decodeChain({ layers: names.map((name) => ({ name, options: {} })), frame: layout }, sink);
  const hits = pushInPieces(chain.input, recording, sizes, way === 'surveyed' ? surveyed : undefined);
  return { listing, counts: chain.counts(), runs: runs(), hits };
}

const choices = fc.record({
  group: fc.integer({ min: 1, max: 5 }),
  padding: fc.constantFrom(0, 0, 0, 13),
  adaptation: fc.constantFrom('L.1' as const, 'L.2' as const, 'L.3' as const, 'L.4' as const),
  trouble: fc.constantFrom(0, 0.03, 0.2),
  hasStream: fc.boolean(),
  seed: fc.nat(),
});

test('trains of baseband frames give what each frame by itself gives, with frames found beforehand or not', () => {
  let [frames, runs, hits] = [0, 0, 0];
  fc.assert(
    fc.property(choices, fc.array(fc.integer({ min: 1, max: 90_000 }), { minLength: 1 }), (choice, sizes) => {
      const recording = recordingOf(choice);
      const single = decode(choice, recording, sizes, 'single');
      const many = decode(choice, recording, sizes, 'many');
      expect(many.listing).toEqual(single.listing);
      expect(many.counts).toEqual(single.counts);
      const surveyed = decode(choice, recording, sizes, 'surveyed');
      expect(surveyed.listing).toEqual(single.listing);
      expect(surveyed.counts).toEqual(single.counts);
      frames += many.listing.seen.length;
      runs += many.runs;
      hits += surveyed.hits;
    }),
    { numRuns: 80 },
  );
  // Had each baseband frame been taken by itself, runs would be as long as the three mission frames that there are in one on average.
  expect(frames).toBeGreaterThan(4 * runs);
  expect(hits).toBeGreaterThan(runs / 20);
});
