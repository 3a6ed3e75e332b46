import { readFileSync } from 'node:fs';
import { describe, expect, test } from 'vitest';
import { makeCrc } from '../../src/bytes/crc.js';
import { CRC_CATALOGUE } from '../../src/bytes/crc-catalogue.js';
import { writeMpeSection } from '../../src/layers/mpe.js';
import { writeSection } from '../../src/layers/sections.js';
import { ts } from '../../src/layers/ts.js';
import { type Carriage, expectCalmUnderFuzz, expectOnlyTouchedUnitsLost, expectRoundTrips } from './packed-units.js';
import { cuts, noise } from './seeded.js';
import { decodeFields, encodeUnits, type Received } from './ts-material.js';

type Vector = { id: string; hex: string; expect: Record<string, string>; verified: string };
const { vectors } = JSON.parse(readFileSync(new URL('../vectors/mpegts.json', import.meta.url), 'utf8')) as {
  vectors: Vector[];
};
const published = vectors.find(({ id }) => id === 'mpe-packet')!;
const crc32 = makeCrc(CRC_CATALOGUE['CRC-32/MPEG-2']);
const address = Buffer.from(published.expect['mac']!, 'hex');

/** An IPv4 or IPv6 datagram of at least `length` bytes, as far as its length fields go. */
function datagram(length: number, seed: number): Buffer {
  const isV6 = seed % 3 === 0;
  const bytes = noise(Math.max(length, isV6 ? 40 : 20), seed);
  bytes[0] = isV6 ? 0x60 : 0x45;
  bytes.writeUInt16BE(isV6 ? bytes.length - 40 : bytes.length, isV6 ? 4 : 2);
  return bytes;
}

/** Decodes sections that the test has made itself. */
function decodeSections(sections: readonly Uint8Array[], options: object = {}): Received & { counts: object } {
  const packets = encodeUnits(ts, { pid: 300, carry: 'sections' }, sections);
  return decodeFields(ts, { pid: 300, carry: 'mpe', ...options }, [{ bytes: Buffer.concat(packets), at: 0, unit: -1 }]);
}

describe('multiprotocol encapsulation (EN 301 192, clause 7)', () => {
  test(`mpe-packet: the datagram comes out as the dissector reads it (${published.verified})`, () => {
    const bytes = Buffer.from(published.hex, 'hex');
    for (const cut of cuts(1)) {
      const options = { pid: 70, carry: 'mpe', address: published.expect['mac'] };
      const { units } = decodeFields(ts, options, [{ bytes, at: 7, unit: -1 }], cut);
      expect(units).toEqual([{ bytes: Buffer.from(published.expect['datagram']!, 'hex'), at: 7 + 4 + 1 + 12 }]);
    }
  });

  test('mpe-packet is written byte for byte', () => {
    const options = { pid: 70, carry: 'mpe', address: published.expect['mac'] };
    const packets = encodeUnits(ts, options, [Buffer.from(published.expect['datagram']!, 'hex')]);
    // Its continuity counter and its pointer field are the first ones as well.
    expect(packets.map((packet) => packet.toString('hex'))).toEqual([published.hex]);
  });

  const carriage: Carriage = { options: { pid: 300, carry: 'mpe' }, makeUnit: datagram, longest: 4080 };

  test('datagrams of both IP versions come back unchanged, however the stream is cut', () => {
    expectRoundTrips(carriage);
  });

  test.each([1, 2, 10])(
    'with %s percent of the packets lost or damaged, only datagrams with a part in them are',
    (percent) => {
      expectOnlyTouchedUnitsLost(carriage, percent);
    },
  );

  test('a thousand damaged recordings: no crash, no hang, and nothing comes out that was not sent', () => {
    expectCalmUnderFuzz(carriage);
  });

  test('stuffing behind the datagram is cut off by the length in its header', () => {
    for (const seed of [1, 3]) {
      const sent = datagram(100, seed);
      const stuffed = writeMpeSection(address, Buffer.concat([sent, Buffer.alloc(9, 0xff)]));
      expect(decodeSections([stuffed]).units.map(({ bytes }) => bytes)).toEqual([sent]);
    }
  });

  test('LLC and SNAP are taken off where the header announces them', () => {
    const sent = datagram(100, 1);
    const snap = Buffer.concat([address, Buffer.from('aaaa030000000800', 'hex'), sent]).subarray(2);
    const header = { tableId: 0x3e, version: 0xc3 };
    const withSnap = writeSection(header, snap);
    expect(decodeSections([withSnap]).units.map(({ bytes }) => bytes)).toEqual([sent]);
    const other = writeSection(
      header,
      Buffer.concat([address.subarray(2), Buffer.from('4242030000000800', 'hex'), sent]),
    );
    expect(decodeSections([other])).toMatchObject({ units: [], counts: { notIp: 1 } });
  });

  test('other tables and addresses, scrambled payloads, split datagrams and what is no IP are counted and left', () => {
    const sent = datagram(60, 1);
    const good = writeMpeSection(address, sent);
    const body = Buffer.concat([Buffer.alloc(4), sent]);
    const split = Buffer.from(good);
    split[7] = 1;
    split.writeUInt32BE(crc32(split, 0, split.length - 4), split.length - 4);
    const sections = [
      good,
      split,
      writeSection({ tableId: 0x3f }, body),
      writeMpeSection(Buffer.from('020304050607', 'hex'), sent),
      writeSection(
        { tableId: 0x3e, extension: 0x0101, version: 0xd1 },
        Buffer.concat([Uint8Array.of(1, 0x5e, 0, 1), sent]),
      ),
      writeMpeSection(address, Buffer.from('nothing of the kind')),
      writeMpeSection(address, sent.subarray(0, 50)),
      writeMpeSection(address, new Uint8Array(0)),
    ];
    const { units, counts } = decodeSections(sections, { address: address.toString('hex') });
    expect(units.map(({ bytes }) => bytes)).toEqual([sent]);
    expect(counts).toMatchObject({ datagrams: 1, otherTables: 1, otherAddresses: 1, scrambled: 1, split: 1, notIp: 3 });
  });
});
