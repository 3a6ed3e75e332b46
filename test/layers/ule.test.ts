import { readFileSync } from 'node:fs';
import { describe, expect, test } from 'vitest';
import { UsageError } from '../../src/errors.js';
import { ts } from '../../src/layers/ts.js';
import { writeTsPacket } from '../../src/layers/ts-packet.js';
import { packetWriter, UnitPacker } from '../../src/layers/ts-packing.js';
import { writeSndu } from '../../src/layers/ule.js';
import { type Carriage, expectCalmUnderFuzz, expectOnlyTouchedUnitsLost, expectRoundTrips } from './packed-units.js';
import { cuts, noise } from './seeded.js';
import { decodeFields, type Field, type Received } from './ts-material.js';

type Sndu = { D: number; length: number; type: number; npa?: string; crc32: string };
type Vector = { id: string; hex: string; expect: { pid: number; sndus: Sndu[] }; verified: string };
const { vectors } = JSON.parse(readFileSync(new URL('../vectors/mpegts.json', import.meta.url), 'utf8')) as {
  vectors: Vector[];
};
const published = vectors.find(({ id }) => id === 'ule-packet')!;

const field = (...parts: Uint8Array[]): Field => ({ bytes: Buffer.concat(parts), at: 0, unit: -1 });
const packet = (payload: Uint8Array, pusi: number, continuity: number): Uint8Array =>
  writeTsPacket({ pid: 300, pusi, continuity }, Buffer.concat([payload, Buffer.alloc(184 - payload.length, 0xff)]));
const decode = (parts: Uint8Array[], options: object = {}): Received & { counts: Readonly<Record<string, number>> } =>
  decodeFields(ts, { pid: 300, carry: 'ule', ...options }, [field(...parts)]);
const bytesOf = ({ units }: Received): Buffer[] => units.map(({ bytes }) => bytes);

/** SNDUs of the vector, cut out by the lengths that it states. */
const snduBytes = (): Buffer[] => {
  let at = 5;
  return published.expect.sndus.map(({ length }) => {
    at += 4 + length;
    return Buffer.from(published.hex, 'hex').subarray(at - 4 - length, at);
  });
};
const pduOf = (sndu: Buffer, { D }: Sndu): Buffer => sndu.subarray(D ? 4 : 10, -4);

describe('unidirectional lightweight encapsulation (RFC 4326)', () => {
  test(`ule-packet: both PDUs come out (${published.verified})`, () => {
    const bytes = Buffer.from(published.hex, 'hex');
    for (const cut of cuts(1)) {
      const { units, counts } = decodeFields(ts, { pid: 69, carry: 'ule' }, [{ bytes, at: 7, unit: -1 }], cut);
      expect(units.map((unit) => unit.bytes)).toEqual(
        snduBytes().map((sndu, i) => pduOf(sndu, published.expect.sndus[i]!)),
      );
      expect(units.map(({ at }) => at)).toEqual([7 + 5 + 4, 7 + 5 + 60 + 10]);
      expect(counts).toMatchObject({ sndus: 2, 'protocol 0x0800': 2, crc32Wrong: 0, malformed: 0 });
    }
  });

  test('ule-packet is written byte for byte, CRC-32s and end indicator', () => {
    const packets: Uint8Array[] = [];
    const packer = new UnitPacker(
      2,
      packetWriter(69, (made) => packets.push(made)),
    );
    snduBytes().forEach((sndu, i) => {
      const expected = published.expect.sndus[i]!;
      const npa = expected.npa === undefined ? undefined : Buffer.from(expected.npa, 'hex');
      const made = Buffer.from(writeSndu(expected.type, npa, pduOf(sndu, expected)));
      expect(made.subarray(-4).toString('hex')).toBe(expected.crc32);
      packer.push(made);
    });
    packer.flush();
    expect(packets.map((made) => Buffer.from(made).toString('hex'))).toEqual([published.hex]);
  });

  const plain: Carriage = { options: { pid: 300, carry: 'ule', protocol: 0x88b5 }, makeUnit: noise, longest: 5000 };
  const addressed: Carriage = {
    ...plain,
    options: { pid: 300, carry: 'ule', address: '020304050607', protocol: 0x88b5 },
  };

  test.each([
    ['without an address', plain],
    ['with one', addressed],
  ])('PDUs %s come back unchanged, whatever their sizes and however the stream is cut', (_, carriage) => {
    expectRoundTrips(carriage);
  });

  test.each([1, 2, 10])(
    'with %s percent of the packets lost or damaged, only PDUs with a part in them are',
    (percent) => {
      expectOnlyTouchedUnitsLost(plain, percent);
    },
  );

  test('a thousand damaged recordings: no crash, no hang, and nothing comes out that was not sent', () => {
    expectCalmUnderFuzz(addressed);
  });

  test('protocol and address are chosen by option, and an SNDU without address is for everyone', () => {
    const mine = Buffer.from('020304050607', 'hex');
    const other = Buffer.from('0a0b0c0d0e0f', 'hex');
    const sndus = [
      writeSndu(0x0800, mine, noise(20, 1)),
      writeSndu(0x0800, other, noise(20, 2)),
      writeSndu(0x0800, undefined, noise(20, 3)),
      writeSndu(0x86dd, mine, noise(20, 4)),
    ];
    const payload = Buffer.concat([Uint8Array.of(0), ...sndus]);
    const received = decode([packet(payload, 1, 0)], { address: '020304050607', protocol: 0x0800 });
    expect(bytesOf(received)).toEqual([noise(20, 1), noise(20, 3)]);
    expect(received.counts).toMatchObject({ otherAddresses: 1, 'protocol 0x0800': 2, 'protocol 0x86dd': 1 });
  });

  test('extension headers are read as in GSE: optional ones skipped, unknown mandatory ones discarded', () => {
    const pdu = noise(20, 1);
    const sndus = [
      writeSndu(0x0301, undefined, Buffer.concat([Buffer.from('112233440800', 'hex'), pdu])),
      writeSndu(0x0042, undefined, pdu),
      writeSndu(0x0001, undefined, Buffer.concat([noise(12, 2), Buffer.from('0800', 'hex'), pdu])),
    ];
    const received = decode([packet(Buffer.concat([Uint8Array.of(0), ...sndus]), 1, 0)]);
    expect(bytesOf(received)).toEqual([pdu, pdu]);
    expect(received.counts).toMatchObject({ 'discarded, extension header 0x0042': 1 });
  });

  test('one byte left in a packet is padding, and two may begin an SNDU', () => {
    for (const left of [1, 2, 3]) {
      const first = writeSndu(0x0800, undefined, noise(183 - left - 8, left));
      const second = writeSndu(0x0800, undefined, noise(40, left));
      const begun = left === 1 ? 0 : left;
      const one = packet(Buffer.concat([Uint8Array.of(0), first, second.subarray(0, begun)]), 1, 0);
      const rest = second.subarray(begun);
      const two = left === 1 ? packet(Buffer.concat([Uint8Array.of(0), rest]), 1, 1) : packet(rest, 0, 1);
      expect(bytesOf(decode([one, two]))).toEqual([noise(183 - left - 8, left), noise(40, left)]);
    }
  });

  test('a pointer that does not say what the open SNDU still needs drops that one alone', () => {
    const long = writeSndu(0x0800, undefined, noise(300, 1));
    const next = writeSndu(0x0800, undefined, noise(30, 2));
    const one = packet(Buffer.concat([Uint8Array.of(0), long.subarray(0, 183)]), 1, 0);
    const rest = long.subarray(183);
    const wrong = packet(Buffer.concat([Uint8Array.of(rest.length - 1), rest.subarray(1), next]), 1, 1);
    const received = decode([one, wrong]);
    expect(bytesOf(received)).toEqual([noise(30, 2)]);
    expect(received.counts).toMatchObject({ pointerWrong: 1, sndus: 1 });
  });

  test('a length too small for its own CRC-32 ends the reading of that packet', () => {
    const good = writeSndu(0x0800, undefined, noise(30, 2));
    const wrong = packet(Buffer.concat([Uint8Array.of(0), Buffer.from('80030800', 'hex'), good]), 1, 0);
    const right = packet(Buffer.concat([Uint8Array.of(0), good]), 1, 1);
    expect(decode([wrong, right])).toMatchObject({ units: [{}], counts: { malformed: 1 } });
  });

  test('a PDU longer than Length can say is a usage error, and the longest passes', () => {
    expect(() => writeSndu(0x0800, undefined, new Uint8Array(0x7ffe - 3))).toThrow(UsageError);
    expect(writeSndu(0x0800, undefined, new Uint8Array(0x7ffe - 4)).length).toBe(4 + 0x7ffe);
  });
});
