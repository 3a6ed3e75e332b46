import { readFileSync } from 'node:fs';
import { describe, expect, test } from 'vitest';
import { UsageError } from '../../src/errors.js';
import { writeSection } from '../../src/layers/sections.js';
import { ts } from '../../src/layers/ts.js';
import { writeTsPacket } from '../../src/layers/ts-packet.js';
import { type Carriage, expectCalmUnderFuzz, expectOnlyTouchedUnitsLost, expectRoundTrips } from './packed-units.js';
import { cuts, noise } from './seeded.js';
import { decodeFields, encodeUnits, type Field } from './ts-material.js';

type Vector = { id: string; hex: string; expect: Record<string, unknown>; verified: string };
const { vectors } = JSON.parse(readFileSync(new URL('../vectors/mpegts.json', import.meta.url), 'utf8')) as {
  vectors: Vector[];
};
const pat = vectors.find(({ id }) => id === 'pat-packet')!;
const field = (...parts: Uint8Array[]): Field => ({ bytes: Buffer.concat(parts), at: 0, unit: -1 });
const packet = (payload: Uint8Array, pusi: number, continuity: number): Uint8Array =>
  writeTsPacket({ pid: 300, pusi, continuity }, Buffer.concat([payload, Buffer.alloc(184 - payload.length, 0xff)]));

describe('sections (ISO/IEC 13818-1, 2.4.4)', () => {
  test(`pat-packet: the section comes out as the dissector reads it (${pat.verified})`, () => {
    const bytes = Buffer.from(pat.hex, 'hex');
    for (const cut of cuts(1)) {
      const { units, counts } = decodeFields(ts, { pid: 0, carry: 'sections' }, [{ ...field(bytes), at: 40 }], cut);
      expect(units.length).toBe(1);
      const section = units[0]!.bytes;
      expect(units[0]!.at).toBe(45);
      expect(section[0]).toBe(pat.expect['tableId']);
      expect(section.readUInt16BE(1) & 0xfff).toBe(pat.expect['sectionLength']);
      expect(section.subarray(-4).toString('hex')).toBe(pat.expect['crc32']);
      expect(counts).toMatchObject({ sections: 1, crc32Wrong: 0 });
    }
    const { units } = decodeFields(ts, { pid: 0, carry: 'sections', headers: 'strip' }, [field(bytes)]);
    const programs = pat.expect['programs'] as { number: number; pmtPid: number }[];
    const body = units[0]!.bytes;
    expect([body.readUInt16BE(0), body.readUInt16BE(2) & 0x1fff]).toEqual([programs[0]!.number, programs[0]!.pmtPid]);
  });

  test('pat-packet: the section and its packet are written byte for byte', () => {
    const section = writeSection({ tableId: 0, extension: 1, version: 0xc1 }, Buffer.from('0001e100', 'hex'));
    // The private bit of this table is 0, and the two reserved ones are 1.
    expect(section[1]).toBe(0xb0);
    const [made] = encodeUnits(ts, { pid: 0, carry: 'sections' }, [section]);
    expect(made!.toString('hex')).toBe(pat.hex);
  });

  const body: Carriage = {
    options: { pid: 300, carry: 'sections', headers: 'strip', table: 0x81 },
    makeUnit: noise,
    longest: 4084,
  };
  const whole: Carriage = {
    options: { pid: 300, carry: 'sections' },
    makeUnit: (length, seed) => Buffer.from(writeSection({ tableId: 0x90 }, noise(Math.min(length, 4084), seed))),
    longest: 4084,
  };

  test.each([
    ['bodies', body],
    ['whole sections', whole],
  ])('%s come back unchanged, whatever their sizes and however the stream is cut', (_, carriage) => {
    expectRoundTrips(carriage);
  });

  test.each([1, 2, 10])(
    'with %s percent of the packets lost or damaged, only sections with a part in them are',
    (percent) => {
      expectOnlyTouchedUnitsLost(body, percent);
    },
  );

  test('a thousand damaged recordings: no crash, no hang, and nothing comes out that was not sent', () => {
    expectCalmUnderFuzz(body);
  });

  test('only the table wanted is handed on, and one without CRC-32 is counted, not trusted', () => {
    const sections = [0x80, 0x81, 0x80].map((tableId, i) => writeSection({ tableId }, noise(20, i)));
    const short = Buffer.from('803003010203', 'hex');
    const payload = Buffer.concat([Uint8Array.of(0), sections[0]!, short, ...sections.slice(1)]);
    const { units, counts } = decodeFields(ts, { pid: 300, carry: 'sections', table: 0x80 }, [
      field(packet(payload, 1, 0)),
    ]);
    expect(units.map(({ bytes }) => bytes)).toEqual([sections[0], sections[2]]);
    expect(counts).toMatchObject({ sections: 3, otherTables: 1, withoutCrc: 1 });
  });

  test('a section whose header is cut by the packet border is joined', () => {
    for (let room = 1; room < 8; room++) {
      const first = writeSection({ tableId: 0x80 }, noise(183 - room - 12, room));
      const second = writeSection({ tableId: 0x80 }, noise(30, room));
      const one = packet(Buffer.concat([Uint8Array.of(0), first, second.subarray(0, room)]), 1, 0);
      const { units } = decodeFields(ts, { pid: 300, carry: 'sections' }, [
        field(one, packet(second.subarray(room), 0, 1)),
      ]);
      expect(units.map(({ bytes }) => bytes)).toEqual([first, second]);
    }
  });

  test('a pointer beyond its packet is malformed, and the next pointer is right again', () => {
    const section = writeSection({ tableId: 0x80 }, noise(20, 1));
    const wrong = packet(Uint8Array.of(184), 1, 0);
    const right = packet(Buffer.concat([Uint8Array.of(0), section]), 1, 1);
    const { units, counts } = decodeFields(ts, { pid: 300, carry: 'sections' }, [field(wrong, right)]);
    expect(units.map(({ bytes }) => bytes)).toEqual([section]);
    expect(counts).toMatchObject({ malformed: 1 });
  });

  test('what does not fit a section, or is none, is a usage error', () => {
    expect(() => writeSection({ tableId: 0x80 }, new Uint8Array(4085))).toThrow(UsageError);
    expect(() => encodeUnits(ts, whole.options, [noise(50, 1)])).toThrow('set ts.headers to strip');
  });
});
