// Layers put together: what the encoders send, the decoders must find again, whole or with losses.
import fc from 'fast-check';
import { describe, expect, test } from 'vitest';
import { crc32 } from '../../src/bytes/crc.js';
import { UsageError } from '../../src/errors.js';
import { KBCH_BYTES } from '../../src/layers/baseband-header.js';
import { decodeChain, encodeChain } from '../../src/layers/chain.js';
import type { FrameLayout, LayerChoice } from '../../src/mission/mission.js';
import { layoutOf, makeFrames } from './frame-material.js';
import { type Cut, cuts, feed } from './seeded.js';

const RUNS = Number(process.env['LAYER_RUNS'] ?? 100);

function encode(layers: readonly LayerChoice[], frames: readonly Uint8Array[]): Buffer[] {
  const units: Buffer[] = [];
  const encoder = encodeChain(layers, (unit) => units.push(Buffer.from(unit)));
  for (const frame of frames) encoder.push(frame);
  encoder.flush();
  return units;
}

/** Short enough to read in a failed test. */
const brief = (frame: Uint8Array): string =>
  `${Buffer.from(frame.subarray(0, 12)).toString('hex')} ${crc32(frame, 0, frame.length)}`;

type Heard = { at: number; frame: string };
function decode(
  layers: readonly LayerChoice[],
  frame: FrameLayout,
  bytes: Uint8Array,
  cut: Cut,
): { intact: Heard[]; damaged: number; counts: unknown } {
  const intact: Heard[] = [];
  let damaged = 0;
  const chain = decodeChain(
    { layers, frame },
    {
      intact: (b, start, at) => {
        intact.push({ at, frame: brief(b.subarray(start, start + frame.length)) });
      },
      damaged: () => {
        damaged++;
      },
    },
  );
  feed(bytes, (...block) => chain.input.push(...block), cut);
  chain.input.end();
  return { intact, damaged, counts: chain.counts() };
}

const sizes = fc.oneof(fc.constantFrom(...KBCH_BYTES), fc.integer({ min: 60, max: 7274 }));
const plan = fc.record({
  size: sizes,
  record: fc.constantFrom('fixed', 'variable'),
  payload: fc.integer({ min: 1, max: 2000 }),
  marker: fc.constantFrom('1acffc1d', '5a5a', ''),
  frames: fc.integer({ min: 1, max: 40 }),
  seed: fc.nat(1e6),
});
const lost = fc.array(fc.double({ min: 0, max: 1, maxExcluded: true, noNaN: true }), { maxLength: 4 });
const flushes = fc.array(fc.nat(39), { maxLength: 3 });

describe.each(['dvb-s2, stream', 'dvb-s2'])('layers %s', (list) => {
  const names = list.split(', ');
  const joined = names.includes('stream');
  const layersOf = (options: object): LayerChoice[] =>
    names.map((name) => ({ name, options: name === 'dvb-s2' ? { ...options } : {} }));

  test('what is sent is received, byte for byte, and nothing else', () => {
    fc.assert(
      fc.property(plan, flushes, (p, stops) => {
        const layout = layoutOf({ marker: p.marker, payload: joined ? p.payload : Math.min(p.payload, p.size - 30) });
        const layers = layersOf({ frame: p.size, record: p.record });
        const frames = makeFrames(layout, p.frames, p.seed);
        const units: Buffer[] = [];
        const encoder = encodeChain(layers, (unit) => units.push(Buffer.from(unit)));
        frames.forEach((frame, n) => {
          encoder.push(frame);
          // Baseband frames that end early, as when the sender has nothing to say for a while.
          if (stops.includes(n)) encoder.flush();
        });
        encoder.flush();
        for (const unit of units) {
          if (p.record === 'fixed') expect(unit.length).toBe(p.size);
          else expect(unit.length).toBeLessThanOrEqual(p.size);
        }
        const results = cuts(p.seed).map((cut) => decode(layers, layout, Buffer.concat(units), cut));
        expect(results[0]!.intact.map(({ frame }) => frame)).toEqual(frames.map(brief));
        expect(results[0]!.damaged).toBe(0);
        for (const other of results) expect(other).toEqual(results[0]);
      }),
      { seed: 11, numRuns: RUNS },
    );
  });

  test('a lost baseband frame costs the frames that touched it, no other', () => {
    fc.assert(
      fc.property(plan, lost, (p, shares) => {
        const layout = layoutOf({
          marker: p.marker,
          payload: joined ? p.payload : Math.min(p.payload, p.size - 30),
        });
        const layers = layersOf({ frame: p.size, record: p.record });
        const frames = makeFrames(layout, p.frames, p.seed);
        const units = encode(layers, frames);
        const gone = new Set(shares.map((share) => Math.floor(share * units.length)));
        const kept = units.filter((_, n) => !gone.has(n));
        // Which bytes of the stream of frames each baseband frame carries, by its own header (DFL, EN 302 307-1, 5.1.6).
        const touched = new Set<number>();
        let position = 0;
        units.forEach((unit, n) => {
          const end = position + unit.readUInt16BE(4) / 8;
          for (let at = position; gone.has(n) && at < end; at++) touched.add(Math.floor(at / layout.length));
          position = end;
        });
        const { intact } = decode(layers, layout, Buffer.concat(kept), cuts(p.seed)[2]!);
        const expected = frames.filter((_, n) => !touched.has(n)).map(brief);
        expect(intact.map(({ frame }) => frame)).toEqual(expected);
      }),
      { seed: 12, numRuns: RUNS },
    );
  });
});

describe('one baseband frame after the other', () => {
  const layout = layoutOf({ payload: 984 });
  const frames = makeFrames(layout, 40, 1);
  const layers: LayerChoice[] = [
    { name: 'dvb-s2', options: {} },
    { name: 'stream', options: {} },
  ];
  const units = encode(layers, frames);
  const whole = cuts(0)[0]!;

  test('each layer tells its counts, outermost first', () => {
    expect(decode(layers, layout, Buffer.concat(units), whole).counts).toEqual([
      {
        layer: 'dvb-s2',
        counts: {
          frames: 10,
          headersDamaged: 0,
          cut: 0,
          otherStreams: 0,
          garbageBytes: 0,
          'record of 4026 bytes': 10,
          'generic continuous': 10,
        },
      },
      { layer: 'stream', counts: { pieces: 10, gaps: 0 } },
      { layer: 'frame', counts: { intact: 40, damaged: 0, skippedBytes: 0 } },
    ]);
  });

  test('the offset of a frame is where its first byte stands in the recording', () => {
    const bytes = Buffer.concat(units);
    const { intact } = decode(layers, layout, bytes, whole);
    expect(intact.map(({ at }) => at)).toEqual(
      frames.map((_, n) => 10 * (Math.floor((n * 1004) / 4016) + 1) + n * 1004),
    );
    for (const { at, frame } of intact)
      expect(brief(bytes.subarray(at, at + 12)).slice(0, 24)).toBe(frame.slice(0, 24));
  });

  test('a wrong byte in a baseband header costs no frame while the grid holds', () => {
    for (let n = 1; n < units.length; n++) {
      for (let byte = 0; byte < 10; byte++) {
        const hit = units.map((unit) => Buffer.from(unit));
        hit[n]![byte]! ^= 0x81;
        const { intact, damaged } = decode(layers, layout, Buffer.concat(hit), whole);
        expect(damaged).toBe(0);
        expect(intact).toHaveLength(40);
      }
    }
  });
});

describe('mistakes', () => {
  const sink = { intact: () => undefined, damaged: () => undefined };
  const open = (layers: LayerChoice[]): unknown => decodeChain({ layers, frame: layoutOf() }, sink);

  test('a layer that does not exist is named, with those that do', () => {
    for (const act of [open, (layers: LayerChoice[]) => encodeChain(layers, () => undefined)]) {
      const attempt = (): unknown => act([{ name: 'dvb-s3', options: {} }]);
      expect(attempt).toThrow(UsageError);
      expect(attempt).toThrow(/layer "dvb-s3" is not known; known are dvb-s2, stream/);
    }
  });

  test.each([
    ['dvb-s2', { isi: 256 }, 'dvb-s2.isi'],
    ['dvb-s2', { isi: 'five' }, 'dvb-s2.isi'],
    ['dvb-s2', { frame: 10 }, 'dvb-s2.frame'],
    ['dvb-s2', { frame: 7275 }, 'dvb-s2.frame'],
    ['dvb-s2', { record: 'padded' }, 'dvb-s2.record'],
    ['dvb-s2', { rate: '1/2' }, 'rate'],
    ['stream', { isi: 1 }, 'isi'],
  ])('%s with %j is refused, and the message names the option', (name, options, named) => {
    for (const act of [open, (layers: LayerChoice[]) => encodeChain(layers, () => undefined)]) {
      const attempt = (): unknown => act([{ name, options }]);
      expect(attempt).toThrow(UsageError);
      expect(attempt).toThrow(named);
      expect(attempt).toThrow(name);
    }
  });

  test('a frame that fits no data field can only be sent through the stream layer, and the message says so', () => {
    const options = { frame: 384 };
    const frame = makeFrames(layoutOf({ payload: 984 }), 1, 1)[0]!;
    const alone = encodeChain([{ name: 'dvb-s2', options }], () => undefined);
    expect(() => alone.push(frame)).toThrow(
      new UsageError(
        'dvb-s2: 1004 bytes do not fit a data field of 374; name the layer stream after it, or choose a larger dvb-s2.frame',
      ),
    );
  });
});
