// TM transfer frames (CCSDS 132.0-B): vectors of test/vectors/tm-aos.json (its "verified" says how each was checked), frames made
// by hand, and the encoder's own. What TM shares with AOS (counts, channels) is tested in aos.test.ts as well.
import fc from 'fast-check';
import { describe, expect, test } from 'vitest';
import { UsageError } from '../../src/errors.js';
import { packets } from '../../src/layers/packets.js';
import { idlePacket } from '../../src/layers/packets-header.js';
import { tm } from '../../src/layers/tm.js';
import {
  firstHeaderAt,
  hasOcfAt,
  hasTmSecondaryHeaderAt,
  isSyncAt,
  readTmHeader,
  type TmHeader,
  tmScidAt,
  tmVcidAt,
  writeTmHeader,
} from '../../src/layers/tm-header.js';
import { mutate, randomFor } from '../support/mutate.js';
import { type Decoded, decodeUnits, encode, hex, type Input, make, Taker, vectors, withCrc } from './cadu-material.js';
import { noise } from './seeded.js';

const FIELD = 30;
type Shape = Partial<TmHeader> & { seed?: number; field?: Uint8Array };

function frame({ seed = 0, field = noise(FIELD, seed), ...header }: Shape): Buffer {
  const fields = { version: 0, scid: 427, vcid: 3, ocf: 0, masterCount: 0, count: 0, ...header };
  const status = { secondaryHeader: 0, sync: 0, packetOrder: 0, segmentLength: 3, firstHeader: 2047, ...header };
  return withCrc(Buffer.concat([writeTmHeader({ ...fields, ...status }), field]));
}
const decode = (inputs: Input[], options: object = {}): Decoded => decodeUnits(tm, options, inputs);
const gaps = ({ pieces }: Decoded): boolean[] => pieces.map(({ afterGap }) => afterGap);
const all = vectors('tm-aos.json').filter(([, { id }]) => id.startsWith('tm'));

describe('the primary header', () => {
  test.each(all)('%s', (_, { hex: text, expect: fields }) => {
    const header = readTmHeader(hex(text));
    expect(header).toEqual({
      version: fields['tfvn'],
      scid: fields['scid'],
      vcid: fields['vcid'],
      ocf: fields['ocfFlag'],
      masterCount: fields['mcfc'],
      count: fields['vcfc'],
      secondaryHeader: fields['secHdr'],
      sync: fields['sync'],
      packetOrder: fields['order'],
      segmentLength: fields['segLenId'],
      firstHeader: fields['fhp'],
    });
    expect(Buffer.from(writeTmHeader(header)).toString('hex')).toBe(text.slice(0, 12));
  });

  test('what is read by offset is what the layout states', () => {
    fc.assert(
      fc.property(fc.uint8Array({ minLength: 6, maxLength: 6 }), (bytes) => {
        const header = readTmHeader(bytes);
        expect(tmScidAt(bytes, 0)).toBe(header.scid);
        expect(tmVcidAt(bytes, 0)).toBe(header.vcid);
        expect(hasOcfAt(bytes, 0)).toBe(header.ocf === 1);
        expect(hasTmSecondaryHeaderAt(bytes, 0)).toBe(header.secondaryHeader === 1);
        expect(isSyncAt(bytes, 0)).toBe(header.sync === 1);
        expect(firstHeaderAt(bytes, 0)).toBe(header.firstHeader);
        expect(writeTmHeader(header)).toEqual(bytes);
      }),
      { seed: 132 },
    );
    expect(() => readTmHeader(new Uint8Array(5))).toThrow(RangeError);
  });
});

test('vectors tm-1 and tm-2: two packets, the second across the frames, the OCF left out', () => {
  const frames = all.map(([, { hex: text }]) => hex(text));
  const zones = decode(frames);
  expect(zones.pieces.map(({ unit, bytes, afterGap }) => [unit, bytes.length, afterGap])).toEqual([
    [0, frames[0]!.length - 12, true],
    [26, frames[1]!.length - 12, false],
  ]);
  const taker = new Taker();
  const decoder = make(tm, {}, make(packets, {}, taker));
  for (const bytes of frames) {
    decoder.push(bytes, 0, bytes.length, 0, 0);
    decoder.unitEnd();
  }
  expect(taker.texts).toEqual((all[1]![1].expect['packets'] as string[]).map((text) => text.slice(12)));
});

describe('frames', () => {
  test('counts of 8 bits wrap; a missing frame is a gap', () => {
    const decoded = decode([254, 255, 0, 1, 4].map((count) => frame({ count, seed: count })));
    expect(gaps(decoded)).toEqual([true, false, false, false, true]);
    expect(decoded.counts).toMatchObject({ lost: 2, countsBack: 0, 'virtual channel 3': 5 });
  });

  test('a secondary header is passed over by its length', () => {
    const field = Buffer.concat([hex('03aabbcc'), noise(20, 1)]);
    const { pieces } = decode([frame({ secondaryHeader: 1, firstHeader: 5, field })]);
    expect(pieces.map(({ bytes, unit, at }) => ({ bytes, unit, at }))).toEqual([
      { bytes: field.subarray(4), unit: 5, at: 10 },
    ]);
    // One that would fill the whole frame leaves nothing.
    expect(decode([frame({ secondaryHeader: 1, field: hex('3f00') })]).counts).toMatchObject({ notFrames: 1 });
  });

  test('with the sync flag the field holds data of the mission, whose pointer means nothing', () => {
    const sent = frame({ sync: 1, firstHeader: 2046, segmentLength: 0, seed: 2 });
    expect(decode([sent]).pieces.map(({ bytes, unit }) => [bytes, unit])).toEqual([[sent.subarray(6, -2), 0]]);
  });

  test('idle frames, wrong pointers, wrong FECF and foreign frames are counted', () => {
    const bad = frame({ count: 3 });
    bad[10]! ^= 1;
    const inputs = [
      frame({ count: 0 }),
      frame({ count: 1, firstHeader: 2046 }),
      frame({ count: 2, firstHeader: FIELD }),
      bad,
      frame({ count: 4, vcid: 2 }),
      frame({ count: 4, scid: 1 }),
      frame({ version: 1 }),
      frame({ count: 4, seed: 5 }),
    ];
    const decoded = decode(inputs);
    expect(gaps(decoded)).toEqual([true, true]);
    expect(decoded.counts).toMatchObject({
      frames: 8,
      idleFrames: 1,
      pointersWrong: 1,
      fecfWrong: 1,
      otherChannels: 1,
      otherSpacecraft: 1,
      notFrames: 1,
      lost: 1,
    });
  });
});

describe('the encoder', () => {
  test('first header pointers name the first packet that begins, 2047 where none does', () => {
    // Fields of 30 bytes; packets of 20, 100, 3 bytes (the last two not real ones): 0-20, 20-120, 120-123.
    const sent = [20, 100, 3].map((size) => noise(size, size));
    const frames = encode(tm, { length: 38 }, sent);
    expect(frames.map((bytes) => readTmHeader(bytes).firstHeader)).toEqual([0, 2047, 2047, 2047, 0]);
    const stream = Buffer.concat(decode(frames).pieces.map(({ bytes }) => bytes));
    expect(stream).toEqual(Buffer.concat([...sent, idlePacket(27)]));
  });

  test('an idle packet too long for what is left goes on in the next frame', () => {
    for (let size = 24; size <= 30; size++) {
      const frames = encode(tm, { length: 38 }, [noise(size, size)]);
      const stream = Buffer.concat(decode(frames).pieces.map(({ bytes }) => bytes));
      const filled = size === 30 ? [] : [idlePacket(size > 23 ? 60 - size : 30 - size)];
      expect(stream).toEqual(Buffer.concat([noise(size, size), ...filled]));
    }
  });

  test('counts run from 0 to 255 and again', () => {
    const frames = encode(tm, { length: 9, scid: 1023, vcid: 7 }, [Buffer.alloc(600)]);
    expect(frames.map((bytes) => readTmHeader(bytes).count)).toEqual(frames.map((_, n) => n & 255));
    expect(readTmHeader(frames[9]!)).toMatchObject({
      version: 0,
      scid: 1023,
      vcid: 7,
      masterCount: 9,
      segmentLength: 3,
    });
    expect(decode(frames).counts).toMatchObject({ lost: 0, countsBack: 0, repeated: 0 });
  });

  test('without a FECF the field is longer', () => {
    const frames = encode(tm, { length: 38, fecf: false }, [noise(32, 1)]);
    expect(frames.map(({ length }) => length)).toEqual([38]);
    expect(decode(frames, { fecf: false }).texts).toEqual([noise(32, 1).toString('hex')]);
  });

  test.each([{ vcid: 8 }, { scid: 1024 }, { length: 2049 }, { length: 8 }, { pdu: 'm' }])(
    'option %j is refused',
    (options) => {
      expect(tm.options.safeParse(options).success).toBe(false);
      expect(() => encode(tm, { length: 9 }, [])).not.toThrow(UsageError);
    },
  );
});

test('1,000 mutated runs of frames: no crash, nothing handed on that lies outside its frame', () => {
  const random = randomFor(132, 'tm');
  const recording = Buffer.concat(
    Array.from({ length: 40 }, (_, count) =>
      frame({ count, seed: count, firstHeader: count % 32, secondaryHeader: count & 1, ocf: (count >> 1) & 1 }),
    ),
  );
  for (let round = 0; round < 1000; round++) {
    const bytes = mutate(recording, random);
    const taker = new Taker();
    const decoder = make(tm, { fecf: round % 2 === 0 }, taker);
    let units = 0;
    for (let at = 0; at < bytes.length; units++) {
      const end = Math.min(bytes.length, at + (random() < 0.95 ? 38 : 1 + Math.floor(random() * 90)));
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
