// AOS transfer frames (CCSDS 732.0-B): vectors of test/vectors/tm-aos.json (its "verified" says how each was checked), frames made
// by hand, and the encoder's own.
import fc from 'fast-check';
import { describe, expect, test } from 'vitest';
import { UsageError } from '../../src/errors.js';
import { aos } from '../../src/layers/aos.js';
import {
  type AosHeader,
  aosCountAt,
  aosScidAt,
  aosVcidAt,
  isReplayAt,
  readAosHeader,
  usesCycleAt,
  writeAosHeader,
} from '../../src/layers/aos-header.js';
import { packets } from '../../src/layers/packets.js';
import { mutate, randomFor } from '../support/mutate.js';
import { type Decoded, decodeUnits, encode, hex, type Input, make, Taker, vectors, withCrc } from './cadu-material.js';
import { noise } from './seeded.js';

const ZONE = 40;
type Shape = Partial<AosHeader> & { seed?: number; firstHeader?: number; zone?: Uint8Array };

/** An M_PDU frame of spacecraft 90, virtual channel 9, noise in its zone; the usage flag is not set unless said. */
function frame({ seed = 0, firstHeader = 2047, zone = noise(ZONE, seed), ...header }: Shape): Buffer {
  const fields = { version: 1, scid: 90, vcid: 9, count: 0, replay: 0, usage: 0, cycle: 0, ...header };
  return withCrc(Buffer.concat([writeAosHeader(fields), Uint8Array.of(firstHeader >> 8, firstHeader), zone]));
}
const zoneOf = (bytes: Uint8Array): string => Buffer.from(bytes.subarray(8, -2)).toString('hex');
const run = (counts: number[], shape: Shape = {}): Buffer[] =>
  counts.map((count) => frame({ seed: count + 1, ...shape, count }));
const decode = (inputs: Input[], options: object = {}): Decoded => decodeUnits(aos, options, inputs);
const gaps = ({ pieces }: Decoded): boolean[] => pieces.map(({ afterGap }) => afterGap);
const damage = (bytes: Buffer): Buffer => Buffer.from(bytes.map((byte, i) => (i === 20 ? byte ^ 1 : byte)));

const all = vectors('tm-aos.json').filter(([, { id }]) => id.startsWith('aos'));
const vector = (id: string): Buffer => hex(all.find(([, { id: other }]) => other === id)![1].hex);

describe('the primary header', () => {
  test.each(
    all.filter(
      ([
        ,
        {
          expect: { scid },
        },
      ]) => scid !== undefined,
    ),
  )('%s', (_, { hex: text, expect: fields }) => {
    const header = readAosHeader(hex(text));
    const { tfvn, scid, vcid, count, replay, usage, cycle } = fields;
    expect(header).toMatchObject({ version: tfvn, scid, vcid, count });
    if (usage !== undefined) expect(header).toMatchObject({ replay, usage, cycle });
    if (fields['fullCount'] !== undefined) expect(aosCountAt(hex(text), 0)).toBe(fields['fullCount']);
    expect(Buffer.from(writeAosHeader(header)).toString('hex')).toBe(text.slice(0, 12));
  });

  test('what is read by offset is what the layout states', () => {
    fc.assert(
      fc.property(fc.uint8Array({ minLength: 6, maxLength: 6 }), (bytes) => {
        const { scid, vcid, count, replay, usage, cycle } = readAosHeader(bytes);
        expect(aosScidAt(bytes, 0)).toBe(scid);
        expect(aosVcidAt(bytes, 0)).toBe(vcid);
        expect(aosCountAt(bytes, 0)).toBe(usage ? cycle * 2 ** 24 + count : count);
        expect(isReplayAt(bytes, 0)).toBe(replay === 1);
        expect(usesCycleAt(bytes, 0)).toBe(usage === 1);
        expect(writeAosHeader(readAosHeader(bytes))).toEqual(bytes);
      }),
      { seed: 732 },
    );
    expect(() => readAosHeader(new Uint8Array(5))).toThrow(RangeError);
  });
});

describe('vectors', () => {
  test('aos-1 and aos-2-count-wrap: the count wraps without a gap, and their packets go on', () => {
    const frames = [vector('aos-1'), vector('aos-2-count-wrap')];
    const zones = decode(frames);
    expect(gaps(zones)).toEqual([true, false]);
    expect(zones.pieces.map(({ unit, at }) => [unit, at])).toEqual([
      [0, 8],
      [26, frames[0]!.length + 8],
    ]);
    expect(zones.counts).toMatchObject({ frames: 2, lost: 0, countsBack: 0, 'virtual channel 9': 2 });
    const sent = vectors('tm-aos.json').find(([, { id }]) => id === 'tm-2')![1].expect['packets'] as string[];
    const taker = new Taker();
    const decoder = make(aos, {}, make(packets, {}, taker));
    for (const bytes of frames) {
      decoder.push(bytes, 0, bytes.length, 0, 0);
      decoder.unitEnd();
    }
    expect(taker.texts).toEqual(sent.map((text) => text.slice(12)));
  });

  test('aos-no-packet-start: the zone says of no place that a packet begins there', () => {
    expect(decode([vector('aos-no-packet-start')]).pieces.map(({ unit }) => unit)).toEqual([-1]);
  });

  test('aos-only-idle gives nothing', () => {
    const { pieces, counts } = decode([vector('aos-only-idle')]);
    expect(pieces).toEqual([]);
    expect(counts).toMatchObject({ frames: 1, idleFrames: 1, 'virtual channel 63': 1 });
  });

  test('aos-bad-fecf is counted and dropped; without a FECF it is taken', () => {
    const { pieces, counts } = decode([vector('aos-bad-fecf')]);
    expect(pieces).toEqual([]);
    expect(counts).toMatchObject({ frames: 1, fecfWrong: 1 });
    expect(decode([vector('aos-bad-fecf')], { fecf: false }).pieces.length).toBe(1);
  });
});

describe('virtual channel frame counts', () => {
  test('a missing frame is a gap before the next, and counted', () => {
    const decoded = decode(run([4, 5, 7, 8, 12]));
    expect(gaps(decoded)).toEqual([true, false, true, false, true]);
    expect(decoded.counts).toMatchObject({ lost: 4, countsBack: 0 });
  });

  test('24 bits wrap, and 28 where the cycle is used', () => {
    const short = decode(run([2 ** 24 - 1, 0, 1]));
    expect(gaps(short)).toEqual([true, false, false]);
    const at = (full: number): Buffer =>
      frame({ count: full % 2 ** 24, cycle: Math.floor(full / 2 ** 24), usage: 1, seed: full });
    const long = decode([at(2 ** 28 - 1), at(0), at(2 ** 24 - 1), at(2 ** 24), at(2 ** 25)]);
    expect(gaps(long)).toEqual([true, false, true, false, true]);
    expect(long.counts).toMatchObject({ lost: 2 ** 24 - 2 + 2 ** 24 - 1 });
  });

  test('where the use of the cycle changes, the 24 bits go on', () => {
    const decoded = decode([
      frame({ count: 2 ** 24 - 1, seed: 1 }),
      frame({ count: 0, usage: 1, cycle: 9, seed: 2 }),
      frame({ count: 1, seed: 3 }),
    ]);
    expect(gaps(decoded)).toEqual([true, false, false]);
  });

  test('a damaged frame is a gap even where nothing below noticed', () => {
    const sent = run([0, 1, 2, 3]);
    sent[2] = damage(sent[2]!);
    const decoded = decode(sent);
    expect(decoded.texts).toEqual([0, 1, 3].map((n) => zoneOf(sent[n]!)));
    expect(gaps(decoded)).toEqual([true, false, true]);
    expect(decoded.counts).toMatchObject({ fecfWrong: 1, lost: 1 });
  });

  test('a gap below that cost no frame of this channel is none', () => {
    const [a, b] = run([0, 1]);
    expect(gaps(decode([a!, 'gap', b!]))).toEqual([true, false]);
  });

  test('a frame seen twice is taken once; the same count with other bytes is not the same frame', () => {
    const [a, b, c] = run([0, 1, 2]);
    const decoded = decode([a!, a!, b!, b!, b!, c!]);
    expect(decoded.texts).toEqual([a!, b!, c!].map(zoneOf));
    expect(gaps(decoded)).toEqual([true, false, false]);
    expect(decoded.counts).toMatchObject({ repeated: 3, lost: 0 });
    const other = decode([a!, frame({ count: 0, seed: 99 })]);
    expect(gaps(other)).toEqual([true, true]);
    expect(other.counts).toMatchObject({ repeated: 0, countsBack: 1, lost: 0 });
  });

  test('a step back is no loss of millions, but a gap', () => {
    const decoded = decode(run([100, 101, 3, 4]));
    expect(gaps(decoded)).toEqual([true, false, true, false]);
    expect(decoded.counts).toMatchObject({ lost: 0, countsBack: 1 });
  });

  test('replayed frames have counts of their own and are never joined to direct ones', () => {
    const direct = run([10, 11, 12, 13]);
    const replayed = run([500, 501, 503], { replay: 1 });
    const decoded = decode([direct[0]!, direct[1]!, replayed[0]!, replayed[1]!, direct[2]!, replayed[2]!, direct[3]!]);
    expect(gaps(decoded)).toEqual([true, false, true, false, true, true, true]);
    expect(decoded.counts).toMatchObject({ replayed: 3, lost: 1, countsBack: 0 });
  });
});

describe('which frames are followed', () => {
  const mixed = [
    frame({ vcid: 63, count: 1 }),
    frame({ vcid: 7, count: 3, firstHeader: 2046 }),
    ...[0, 1, 2, 3, 4, 5].map((n) => frame({ vcid: n % 2 ? 3 : 5, count: 40 + (n >> 1), seed: n })),
  ];

  test('without a choice the first channel that carries data', () => {
    const decoded = decode(mixed);
    expect(decoded.texts).toEqual([2, 4, 6].map((n) => zoneOf(mixed[n]!)));
    expect(gaps(decoded)).toEqual([true, false, false]);
    expect(decoded.counts).toMatchObject({
      frames: 8,
      idleFrames: 2,
      otherChannels: 3,
      'virtual channel 3': 3,
      'virtual channel 5': 3,
      'virtual channel 7': 1,
      'virtual channel 63': 1,
    });
  });

  test('a channel chosen by option, or one that is not there', () => {
    expect(decode(mixed, { vcid: 3 }).texts).toEqual([3, 5, 7].map((n) => zoneOf(mixed[n]!)));
    const { pieces, counts } = decode(mixed, { vcid: 11 });
    expect(pieces).toEqual([]);
    expect(counts).toMatchObject({ frames: 8, otherChannels: 8 });
  });

  test('another spacecraft on the same channel number is not mixed in; one may be chosen', () => {
    const two = [0, 1, 2, 3].map((n) => frame({ scid: n % 2 ? 700 : 90, count: n >> 1, seed: n }));
    expect(decode(two).texts).toEqual([0, 2].map((n) => zoneOf(two[n]!)));
    const chosen = decode(two, { scid: 700 });
    expect(chosen.texts).toEqual([1, 3].map((n) => zoneOf(two[n]!)));
    expect(chosen.counts).toMatchObject({ otherSpacecraft: 2, lost: 0 });
  });

  test('an idle frame of the channel followed takes its count, and gives nothing', () => {
    const decoded = decode([frame({ count: 0 }), frame({ count: 1, firstHeader: 2046 }), frame({ count: 2, seed: 2 })]);
    expect(gaps(decoded)).toEqual([true, false]);
    expect(decoded.counts).toMatchObject({ idleFrames: 1, lost: 0 });
  });
});

describe('the parts of a frame', () => {
  test('insert zone, header error control and OCF are passed over', () => {
    const zone = noise(30, 4);
    const header = writeAosHeader({ version: 1, scid: 1, vcid: 2, count: 3, replay: 0, usage: 0, cycle: 0 });
    const bytes = withCrc(
      Buffer.concat([header, hex('aaaa'), Buffer.alloc(5, 0xbb), Uint8Array.of(0, 4), zone, Buffer.alloc(4, 0xcc)]),
    );
    const { pieces } = decode([bytes], { headerErrorControl: true, insertZone: 5, ocf: true });
    expect(pieces.map(({ bytes: data, unit, at }) => ({ data, unit, at }))).toEqual([{ data: zone, unit: 4, at: 15 }]);
  });

  test('a first header pointer that leads outside the zone: the frame is dropped, and that is a gap', () => {
    const decoded = decode([frame({ count: 0 }), frame({ count: 1, firstHeader: ZONE }), frame({ count: 2, seed: 3 })]);
    expect(gaps(decoded)).toEqual([true, true]);
    expect(decoded.counts).toMatchObject({ pointersWrong: 1, lost: 0 });
    expect(decode([frame({ firstHeader: ZONE - 1 })]).pieces[0]!.unit).toBe(ZONE - 1);
  });

  test.each([
    ['the zone is full', 16383, ZONE],
    ['all bits are data', 8 * ZONE - 1, ZONE],
    ['some bytes are data', 8 * 17 - 1, 17],
    ['a byte is begun', 8 * 17 + 3, 17],
    ['one byte', 7, 1],
  ])('bit stream: %s', (_, pointer, bytes) => {
    const sent = frame({ firstHeader: pointer, seed: 6 });
    const { pieces } = decode([sent], { pdu: 'b' });
    expect(pieces.map(({ bytes: data, unit }) => [data, unit])).toEqual([[sent.subarray(8, 8 + bytes), -1]]);
  });

  test('bit stream: idle zones give nothing, a pointer outside is wrong', () => {
    const sent = [0, 6, 16382, 8 * ZONE + 7].map((firstHeader, count) => frame({ count, firstHeader }));
    const { pieces, counts } = decode([frame({ count: 2 ** 24 - 1, firstHeader: 16383 }), ...sent], { pdu: 'b' });
    expect(pieces.length).toBe(1);
    expect(counts).toMatchObject({ idleFrames: 3, pointersWrong: 1 });
  });

  test('raw: the data field as it is, one data unit in each', () => {
    const sent = frame({ seed: 6 });
    const { pieces } = decode([sent], { pdu: 'raw' });
    expect(pieces.map(({ bytes, unit, at }) => ({ bytes, unit, at }))).toEqual([
      { bytes: sent.subarray(6, -2), unit: 0, at: 6 },
    ]);
  });

  test('what is no AOS frame is counted', () => {
    const others = [withCrc(Buffer.alloc(30, 0x1a)), withCrc(hex('4000')), hex('ff'), Buffer.alloc(70000)];
    expect(decode(others.slice(0, 3)).counts).toMatchObject({ frames: 3, notFrames: 3 });
    expect(decode(others.slice(3), { fecf: false }).counts).toMatchObject({ frames: 1, notFrames: 1 });
  });
});

describe('the encoder', () => {
  test.each([
    [{ pdu: 'b' }],
    [{ pdu: 'raw' }],
    [{ pdu: 'b', ocf: true, insertZone: 3, fecf: false, vcid: 5, scid: 513 }],
    [{ pdu: 'raw', ocf: true, insertZone: 3, fecf: false, vcid: 5, scid: 513 }],
  ])('%j: bytes in, the same bytes out', (shape) => {
    fc.assert(
      fc.property(
        fc.array(fc.uint8Array({ minLength: 0, maxLength: 300 }), { minLength: 1, maxLength: 9 }),
        (units) => {
          const options = { length: 64, ...shape };
          const sent = Buffer.concat(units);
          const frames = encode(aos, options, units, true);
          expect(frames.every(({ length }) => length === 64)).toBe(true);
          const { pieces, counts } = decode(frames, options);
          const got = Buffer.concat(pieces.map(({ bytes }) => bytes));
          expect(got.subarray(0, sent.length).equals(sent)).toBe(true);
          // A raw data field cannot say where it ends: it is filled up with zeros.
          const rest = got.subarray(sent.length);
          expect(rest.equals(Buffer.alloc(shape.pdu === 'raw' ? rest.length : 0))).toBe(true);
          expect(counts).toMatchObject({ lost: 0, fecfWrong: 0, notFrames: 0 });
        },
      ),
      { seed: 5, numRuns: 40 },
    );
  });

  test('it counts frames, uses the cycle and names the spacecraft with ten bits', () => {
    const frames = encode(aos, { length: 64, pdu: 'b', vcid: 33, scid: 1000 }, [Buffer.alloc(500)], true);
    expect(frames.map((bytes) => readAosHeader(bytes))).toEqual(
      frames.map((_, count) => ({ version: 1, scid: 1000, vcid: 33, count, replay: 0, usage: 1, cycle: 0 })),
    );
  });

  test('it refuses what it cannot write', () => {
    expect(() => encode(aos, { headerErrorControl: true }, [])).toThrow(UsageError);
    expect(() => encode(aos, { length: 16, insertZone: 9 }, [])).toThrow(UsageError);
    expect(() => encode(aos, { length: 2057 }, [])).toThrow('aos.length');
    expect(encode(aos, { length: 2056 }, [Buffer.alloc(9)])[0]!.length).toBe(2056);
    expect(() => encode(aos, { length: 64, pdu: 'raw' }, [Buffer.alloc(55)])).toThrow(UsageError);
    expect(encode(aos, { length: 64, pdu: 'raw' }, [Buffer.alloc(56)]).length).toBe(1);
  });

  test.each([
    { vcid: 63 },
    { vcid: -1 },
    { scid: 1024 },
    { pdu: 'x' },
    { insertZone: -1 },
    { length: 4 },
    { other: 1 },
  ])('option %j is refused', (options) => {
    expect(aos.options.safeParse(options).success).toBe(false);
  });
});

test('a unit that never ends takes no memory', () => {
  const decoder = make(aos, {}, new Taker());
  const block = Buffer.alloc(1 << 20, 0x56);
  const before = process.memoryUsage().arrayBuffers;
  for (let n = 0; n < 200; n++) decoder.push(block, 0, block.length, n << 20, n === 0 ? 0 : -1);
  expect(process.memoryUsage().arrayBuffers - before).toBeLessThan(4 << 20);
  decoder.unitEnd();
  expect(decoder.counts()).toMatchObject({ frames: 1, notFrames: 1 });
});

test('1,000 mutated runs of frames: no crash, nothing handed on that lies outside its frame', () => {
  const random = randomFor(732, 'aos');
  const recording = Buffer.concat(
    Array.from({ length: 40 }, (_, count) => frame({ count, seed: count, firstHeader: count })),
  );
  const shapes = [
    {},
    { fecf: false },
    { fecf: false, pdu: 'b' },
    { fecf: false, pdu: 'raw', ocf: true, insertZone: 4 },
  ];
  for (let round = 0; round < 1000; round++) {
    const bytes = mutate(recording, random);
    const taker = new Taker();
    const decoder = make(aos, shapes[round % 4]!, taker);
    let units = 0;
    for (let at = 0; at < bytes.length; units++) {
      const end = Math.min(bytes.length, at + (random() < 0.95 ? 50 : 1 + Math.floor(random() * 120)));
      decoder.push(bytes, at, end, at, at);
      decoder.unitEnd();
      at = end;
    }
    decoder.end();
    for (const { at, bytes: data } of taker.pieces)
      expect(bytes.subarray(at, at + data.length).equals(data)).toBe(true);
    expect(decoder.counts()['frames']).toBe(units);
  }
});
