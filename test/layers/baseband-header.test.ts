import { readFileSync } from 'node:fs';
import fc from 'fast-check';
import { describe, expect, test } from 'vitest';
import {
  type BasebandHeader,
  dataEndAt,
  firstUnitAt,
  hasCrc32At,
  isHeaderAt,
  isTellingAt,
  KBCH_BYTES,
  kindAt,
  readBasebandHeader,
  STREAM_TYPE,
  streamAt,
  streamName,
  userPacketAt,
  writeBasebandHeader,
} from '../../src/layers/baseband-header.js';
import { dvbS2 } from '../../src/layers/dvb-s2.js';

type Expected = BasebandHeader & { tsgs: number; sis: number; ccm: number; issyi: number; npd: number; ro: number };
type Vector = { id: string; hex: string; expect: Expected; verified: string };
const readVectors = <T>(name: string): T[] =>
  (JSON.parse(readFileSync(new URL(`../vectors/${name}`, import.meta.url), 'utf8')) as { vectors: T[] }).vectors;

const all = readVectors<Vector>('bbheader.json');
const good = all.filter(({ id }) => id !== 'bad-crc');
const fieldsOf = ({ matype1, matype2, upl, dfl, sync, syncd, crc8 }: BasebandHeader): BasebandHeader => ({
  matype1,
  matype2,
  upl,
  dfl,
  sync,
  syncd,
  crc8,
});

describe('headers of EN 302 307-1, 5.1.6, that a general packet dissector has judged', () => {
  test.each(good)('$id is read as the dissector reads it ($verified)', ({ hex, expect: e }) => {
    const bytes = Buffer.from(hex, 'hex');
    expect(readBasebandHeader(bytes)).toEqual(fieldsOf(e));
    expect(isHeaderAt(bytes, 0)).toBe(true);
    expect(streamAt(bytes, 0)).toBe((e.tsgs << 9) | (e.sis << 8) | (e.sis ? 0 : e.matype2));
    expect(dataEndAt(bytes, 0)).toBe(10 + e.dfl / 8);
    expect(firstUnitAt(bytes, 0)).toBe(e.syncd === 65535 ? -1 : 10 + e.syncd / 8);
  });

  test.each(good)('$id is written byte for byte ($verified)', ({ hex, expect: e }) => {
    expect(Buffer.from(writeBasebandHeader(e)).toString('hex')).toBe(hex);
  });

  test('bad-crc is refused, and the writer computes the CRC-8 it should have (bitwise CRC and crcmod agree)', () => {
    const { hex, expect: e } = all.find(({ id }) => id === 'bad-crc') as unknown as {
      hex: string;
      expect: { crc8_computed: number; crc8_in_frame: number };
    };
    const bytes = Buffer.from(hex, 'hex');
    expect(bytes[9]).toBe(e.crc8_in_frame);
    expect(readBasebandHeader(bytes)).toBeNull();
    expect(isHeaderAt(bytes, 0)).toBe(false);
    const written = writeBasebandHeader({ matype1: 0x70, matype2: 0, upl: 0, dfl: 192, sync: 0, syncd: 0 });
    expect(Buffer.from(written.subarray(0, 9))).toEqual(bytes.subarray(0, 9));
    expect(written[9]).toBe(e.crc8_computed);
  });

  type Made = { options: object; units: number[]; divisible: boolean; frame: number } | { header: BasebandHeader };
  test.each(readVectors<Vector & { note: string; made: Made }>('bbheader-encoded.json'))(
    '$id: what our encoder writes means to the dissector what it should: $note ($verified)',
    ({ hex, made, expect: e }) => {
      let header: Uint8Array;
      if ('header' in made) {
        header = writeBasebandHeader(made.header);
      } else {
        const frames: Uint8Array[] = [];
        const encoder = dvbS2.encoder(dvbS2.options.parse(made.options), (frame) => frames.push(frame.slice()));
        for (const bytes of made.units) encoder.push(new Uint8Array(bytes), made.divisible);
        encoder.flush();
        header = frames[made.frame]!.subarray(0, 10);
      }
      expect(Buffer.from(header).toString('hex')).toBe(hex);
      expect(readBasebandHeader(header)).toEqual(e);
    },
  );

  test('ten zero bytes pass the CRC-8 and are still no frame', () => {
    expect(readBasebandHeader(new Uint8Array(10))).not.toBeNull();
    expect(isHeaderAt(new Uint8Array(10), 0)).toBe(false);
  });

  test("fewer than ten bytes are the caller's mistake", () => {
    expect(() => readBasebandHeader(new Uint8Array(9))).toThrow(new RangeError('a baseband header is 10 bytes, got 9'));
  });

  test.each([
    ['a data field that is not whole bytes', { dfl: 801 }],
    ["a data field longer than the longest frame's (58192 - 80 bits, table 5a)", { dfl: 58120 }],
    ['a first packet behind the data field', { syncd: 800 }],
    ['a packet length in a continuous stream', { upl: 1504 }],
    ['no packet length in a transport stream', { matype1: 0xf0 }],
    ['a packet length that is not whole bytes', { matype1: 0x30, upl: 1501 }],
  ])('%s is not taken for a header, though the CRC-8 is right', (_, change) => {
    const fields = { matype1: 0x70, matype2: 0, upl: 0, dfl: 800, sync: 0, syncd: 792 };
    expect(isHeaderAt(writeBasebandHeader(fields), 0)).toBe(true);
    expect(isHeaderAt(writeBasebandHeader({ ...fields, ...change }), 0)).toBe(false);
  });

  test('an empty data field is a header: the modulator had nothing to send', () => {
    const empty = { matype1: 0x70, matype2: 0, upl: 0, dfl: 0, sync: 0 };
    expect(isHeaderAt(writeBasebandHeader({ ...empty, syncd: 0 }), 0)).toBe(true);
    expect(isHeaderAt(writeBasebandHeader({ ...empty, syncd: 65535 }), 0)).toBe(true);
  });
});

describe('the offsets of the hot path', () => {
  const anyHeader = fc.record({
    matype1: fc.nat(255),
    matype2: fc.nat(255),
    upl: fc.oneof(fc.constantFrom(0, 1504), fc.nat(65535)),
    dfl: fc.oneof(
      fc.nat(8191).map((n) => n * 8),
      fc.nat(65535),
    ),
    sync: fc.oneof(fc.constantFrom(0, 1), fc.nat(255)),
    syncd: fc.oneof(fc.constantFrom(0, 65535), fc.nat(65535)),
  });

  test('read what the layout says', () => {
    fc.assert(
      fc.property(anyHeader, fc.nat(40), (fields, at) => {
        const header = writeBasebandHeader(fields);
        const bytes = Buffer.concat([Buffer.alloc(at, 0xaa), header, Buffer.alloc(7, 0xaa)]);
        const h = readBasebandHeader(bytes.subarray(at))!;
        expect(h).toEqual({ ...fields, crc8: header[9] });
        const type = h.matype1 >> 6;
        const uplRight =
          type === STREAM_TYPE.hem || (type === STREAM_TYPE.continuous ? h.upl === 0 : h.upl > 0 && h.upl % 8 === 0);
        const syncdRight = h.syncd === 65535 || h.syncd < h.dfl || (h.dfl === 0 && h.syncd === 0);
        expect(isHeaderAt(bytes, at)).toBe(h.dfl % 8 === 0 && h.dfl <= 58112 && syncdRight && uplRight);
        expect(dataEndAt(bytes, at)).toBe(at + 10 + Math.floor(h.dfl / 8));
        expect(firstUnitAt(bytes, at)).toBe(h.syncd === 65535 ? -1 : at + 10 + Math.floor(h.syncd / 8));
        expect(kindAt(bytes, at)).toBe(h.matype1 * 65536 + (type === STREAM_TYPE.hem ? 0 : h.upl));
        expect(userPacketAt(bytes, at)).toEqual({ packetBytes: h.upl >> 3, sync: h.sync });
        expect(hasCrc32At(bytes, at)).toBe(type === STREAM_TYPE.continuous && h.sync === 1);
        expect(isTellingAt(bytes, at)).toBe(type !== STREAM_TYPE.hem || (h.upl === 0 && h.sync === 0));
        const single = h.matype1 & 0x20;
        expect(streamAt(bytes, at)).toBe(type * 512 + (single ? 256 : h.matype2));
        expect(streamName(streamAt(bytes, at)).endsWith(`ISI ${h.matype2}`)).toBe(single === 0);
      }),
      { seed: 1, numRuns: 2000 },
    );
  });

  test('no header survives a change of one byte (the CRC-8 sees every burst of up to 8 bits)', () => {
    fc.assert(
      fc.property(anyHeader, fc.nat(9), fc.integer({ min: 1, max: 255 }), (fields, at, flip) => {
        const bytes = writeBasebandHeader(fields);
        bytes[at]! ^= flip;
        expect(readBasebandHeader(bytes)).toBeNull();
        expect(isHeaderAt(bytes, 0)).toBe(false);
      }),
      { seed: 2, numRuns: 2000 },
    );
  });
});

describe('frame sizes', () => {
  // Kbch in bits as published, EN 302 307-1 tables 5a (normal, Nldpc 64800) and 5b (short, 16200), with the nominal code rate.
  const normal = [
    ['1/4', 16008, 12],
    ['1/3', 21408, 12],
    ['2/5', 25728, 12],
    ['1/2', 32208, 12],
    ['3/5', 38688, 12],
    ['2/3', 43040, 10],
    ['3/4', 48408, 12],
    ['4/5', 51648, 12],
    ['5/6', 53840, 10],
    ['8/9', 57472, 8],
    ['9/10', 58192, 8],
  ] as const;
  // Short frames: the code rate that Nldpc really has, where the name is only nominal.
  const short = [
    ['1/4', 3072, 1 / 5],
    ['1/3', 5232, 1 / 3],
    ['2/5', 6312, 2 / 5],
    ['1/2', 7032, 4 / 9],
    ['3/5', 9552, 3 / 5],
    ['2/3', 10632, 2 / 3],
    ['3/4', 11712, 11 / 15],
    ['4/5', 12432, 7 / 9],
    ['5/6', 13152, 37 / 45],
    ['8/9', 14232, 8 / 9],
  ] as const;
  const published = [...normal, ...short].map(([, bits]) => bits / 8).sort((a, b) => a - b);

  test('KBCH_BYTES holds tables 5a and 5b', () => {
    expect(KBCH_BYTES).toEqual(published);
  });

  test.each(normal)(
    'normal %s: Kbch = Nbch - 16 t (t errors corrected by a BCH code over GF(2^16))',
    (rate, kbch, t) => {
      const [above, below] = rate.split('/').map(Number);
      expect((64800 * above!) / below! - 16 * t).toBe(kbch);
    },
  );

  test.each(short)('short %s: Kbch = Nbch - 168 (t = 12 over GF(2^14))', (_, kbch, rate) => {
    expect(Math.round(16200 * rate) - 168).toBe(kbch);
  });
});
