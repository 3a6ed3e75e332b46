import { readFileSync } from 'node:fs';
import fc from 'fast-check';
import { describe, expect, test } from 'vitest';
import { UsageError } from '../../src/errors.js';
import { writeBasebandHeader } from '../../src/layers/baseband-header.js';
import { UserPacketWriter } from '../../src/layers/baseband-ts.js';
import { dvbS2 } from '../../src/layers/dvb-s2.js';
import { ts } from '../../src/layers/ts.js';
import { pidAt, readTsHeader, writeTsPacket } from '../../src/layers/ts-packet.js';
import { randomFor } from '../support/mutate.js';
import { cuts, feed, GARBAGE, garbage, noise, seeded } from './seeded.js';
import {
  collector,
  decodeFields,
  encodeUnits,
  type Field,
  fieldsOf,
  keptBytes,
  mutateFields,
  type Received,
} from './ts-material.js';

type Vector = {
  id: string;
  hex: string[];
  expect: {
    tsPackets: string[];
    upCrc8?: string[];
    issy?: number[];
    dnp?: number[];
    syncdBits?: number[];
  };
  verified: string;
};
const readVectors = <T>(name: string): T[] =>
  (JSON.parse(readFileSync(new URL(`../vectors/${name}`, import.meta.url), 'utf8')) as { vectors: T[] }).vectors;
const inFrames = readVectors<Vector>('ts-in-bbframe.json');
type PacketVector = {
  id: string;
  hex: string;
  expect: { pid: number; pusi?: number; cc?: number; upCrc8?: string };
  verified: string;
};
const single = readVectors<PacketVector>('mpegts.json');

const NULL_PACKET = Buffer.from(single.find(({ id }) => id === 'null-packet')!.hex, 'hex');
const asField = (bytes: Uint8Array, at = 0): Field => ({ bytes, at, unit: -1 });
const hexOf = (units: Received['units']): string[] => units.map(({ bytes }) => bytes.toString('hex'));
const packetOf = (pid: number, continuity: number, seed: number): Buffer =>
  Buffer.from(writeTsPacket({ pid, pusi: 0, continuity: continuity & 15 }, noise(184, seed)));

/** Packets of PID 300 in order, as a decoder of whole packets must give them. */
const packetsOf = (count: number, seed: number): Buffer[] =>
  Array.from({ length: count }, (_, i) => packetOf(300, i, seed * 1000 + i));

/** User packets joined and cut into data fields of `size` bytes, each where it stands in a recording of such frames. */
function intoFields(users: readonly Uint8Array[], size: number): Field[] {
  const stream = Buffer.concat(users);
  const pitch = users[0]!.length;
  const fields: Field[] = [];
  for (let from = 0; from < stream.length; from += size) {
    const unit = (pitch - (from % pitch)) % pitch;
    const bytes = stream.subarray(from, from + size);
    fields.push({ bytes, at: from + 10 * (fields.length + 1), unit: unit < bytes.length ? unit : -1 });
  }
  return fields;
}

const userPackets = (packets: readonly Buffer[], options = {}): Uint8Array[] => {
  const writer = new UserPacketWriter(options);
  return packets.flatMap((packet) => writer.write(packet) ?? []);
};

describe('packets in baseband frames (EN 302 307-1, annex D)', () => {
  for (const cut of cuts(1)) {
    test.each(inFrames)(`$id, ${cut.name}: every packet is rebuilt, sync byte and all ($verified)`, (v) => {
      for (const baseband of [true, 'auto']) {
        const { units, counts } = decodeFields(ts, { carry: 'program', pid: 256, baseband }, fieldsOf(v.hex), cut);
        expect(hexOf(units)).toEqual(v.expect.tsPackets);
        expect(counts).toMatchObject({
          packets: v.expect.tsPackets.length,
          crc8Wrong: 0,
          skippedBytes: 0,
          unchecked: 1,
        });
      }
    });
  }

  test.each(inFrames)('$id is written byte for byte, headers and all', ({ id, hex, expect: e }) => {
    const hasIssy = id.includes('issy');
    const deletes = id.includes('npd');
    // "first UP byte 0xaf is the CRC of a null packet sent before this excerpt" (note of the vector).
    const first = fieldsOf(hex)[0]!.bytes[0]!;
    const writer = new UserPacketWriter({ issyBytes: hasIssy ? 2 : 0, nullPacketDeletion: deletes, crc8: first });
    const users = e.tsPackets.flatMap((packet, i) => {
      const nulls = Array.from({ length: e.dnp?.[i] ?? 0 }, () => writer.write(NULL_PACKET));
      expect(nulls.every((user) => user === null)).toBe(true);
      return writer.write(Buffer.from(packet, 'hex'), e.issy?.[i]) ?? [];
    });
    e.upCrc8?.slice(0, -1).forEach((crc, i) => {
      expect(users[i + 1]![0]).toBe(Number.parseInt(crc, 16));
    });
    const matype1 = 0xf0 | (hasIssy ? 8 : 0) | (deletes ? 4 : 0);
    const fields = intoFields(users, fieldsOf(hex)[0]!.bytes.length);
    const frames = fields.map(({ bytes, unit }) => {
      const fieldsOfHeader = { matype1, matype2: 0, upl: users[0]!.length * 8, dfl: bytes.length * 8, sync: 0x47 };
      const header = writeBasebandHeader({ ...fieldsOfHeader, syncd: unit < 0 ? 65535 : unit * 8 });
      return Buffer.concat([header, bytes]).toString('hex');
    });
    expect(frames).toEqual(hex);
  });

  test('the CRC-8 of a null packet is the published one (bitwise CRC and crcmod agree)', () => {
    const writer = new UserPacketWriter();
    writer.write(NULL_PACKET);
    expect(writer.write(NULL_PACKET)![0]).toBe(0xaf);
  });

  test('after 255 deleted null packets one is sent', () => {
    const writer = new UserPacketWriter({ nullPacketDeletion: true });
    const users = Array.from({ length: 300 }, () => writer.write(NULL_PACKET));
    expect(users.flatMap((user, i) => (user ? [[i, user.at(-1)]] : []))).toEqual([[255, 255]]);
  });

  test.each([
    [{}, 188],
    [{ nullPacketDeletion: true }, 189],
    [{ issyBytes: 2 }, 190],
    [{ issyBytes: 3 }, 191],
    [{ issyBytes: 3, nullPacketDeletion: true }, 192],
  ])('ISSY and DNP are found out by the CRC-8s: %j has packets every %s bytes', (options, pitch) => {
    const packets = packetsOf(40, 1);
    const users = userPackets(packets, options);
    expect(users[0]!.length).toBe(pitch);
    for (const size of [374, 1991, 4016]) {
      for (const cut of cuts(size)) {
        const { units } = decodeFields(ts, { carry: 'program' }, intoFields(users, size), cut);
        expect(hexOf(units)).toEqual(packets.map((packet) => packet.toString('hex')));
      }
    }
  });

  test('a packet stands in the recording where its first byte does, also behind a frame border', () => {
    const packets = packetsOf(12, 2);
    const fields = intoFields(userPackets(packets), 500);
    const { units } = decodeFields(ts, { carry: 'program' }, fields);
    expect(units.map(({ at }) => at)).toEqual(packets.map((_, i) => i * 188 + 10 * (1 + Math.floor((i * 188) / 500))));
  });

  test.each([1, 2, 10])(
    'with %s percent of the frames lost, only packets with a part in them are, told of or not',
    (percent) => {
      fc.assert(
        fc.property(fc.nat(9999), fc.constantFrom(374, 869, 4016), fc.boolean(), (seed, size, told) => {
          const random = seeded(seed);
          const packets = packetsOf(200, seed);
          const fields = intoFields(userPackets(packets), size);
          const lost = fields.map(() => random() < percent / 100);
          const kept = fields
            .map((f, i) => ({ ...f, afterGap: told && lost[i - 1] === true }))
            .filter((_, i) => !lost[i]);
          const expected = packets.filter((_, i) => {
            const [first, last] = [Math.floor((i * 188) / size), Math.floor((i * 188 + 187) / size)];
            return !lost.slice(first, last + 1).some(Boolean);
          });
          const { units } = decodeFields(ts, { carry: 'program', pid: 300, baseband: true }, kept);
          const out = new Set(hexOf(units));
          for (const packet of expected) expect(out.has(packet.toString('hex'))).toBe(true);
          expect(units.length).toBe(expected.length);
        }),
        { seed: percent, numRuns: 40 },
      );
    },
  );

  test.each([1, 2, 10])(
    'with %s percent of the packets damaged, the others come out, whatever the damage hits',
    (percent) => {
      fc.assert(
        fc.property(fc.nat(9999), (seed) => {
          const random = seeded(seed);
          const content = packetsOf(200, seed).map((packet) => packet.subarray(4));
          const sent = encodeUnits(ts, { pid: 300, baseband: true }, content);
          const hit = sent.map(() => random() < percent / 100);
          const users = sent.map((user, i) => (hit[i] ? noise(user.length, seed + i) : user));
          const { stream } = decodeFields(ts, { pid: 300 }, intoFields(users, 4016));
          // A user packet's first byte is the CRC-8 of the one before: with it gone that packet cannot be proven, but is not lost.
          for (const [i, payload] of content.entries()) if (!hit[i]) expect(stream.includes(payload)).toBe(true);
        }),
        { seed: percent, numRuns: 25 },
      );
    },
  );
});

describe('packets in a byte stream (periods of 188, 204 and 192 bytes by common practice)', () => {
  const periods: [string, (packet: Buffer, i: number) => Buffer][] = [
    ['188', (packet) => packet],
    ['204, with Reed-Solomon bytes behind', (packet, i) => Buffer.concat([packet, noise(16, i)])],
    ['192, with a time stamp before', (packet, i) => Buffer.concat([noise(4, i), packet])],
  ];

  test.each(periods)('a period of %s is found, from the first packet to the last', (_, wrap) => {
    for (const count of [1, 2, 3, 4, 5, 6, 7, 30]) {
      const packets = packetsOf(count, count);
      const recording = Buffer.concat(packets.map(wrap));
      for (const cut of cuts(count)) {
        const { units, counts } = decodeFields(ts, { carry: 'program', pid: 300 }, [asField(recording, 1000)], cut);
        expect(hexOf(units)).toEqual(packets.map((packet) => packet.toString('hex')));
        expect(units[0]!.at).toBe(1000 + recording.indexOf(packets[0]!));
        expect(counts).toMatchObject({ packets: count, 'PID 300': count });
      }
    }
  });

  test.each(single)('$id is read as the dissector reads it ($verified)', ({ hex, expect: e }) => {
    const bytes = Buffer.from(hex, 'hex');
    const header = readTsHeader(bytes);
    expect(header).toMatchObject({ sync: 0x47, tei: 0, pid: e.pid, scrambling: 0, adaptationControl: 1 });
    if (e.cc !== undefined) expect(header.continuity).toBe(e.cc);
    const again = writeTsPacket(header, bytes.subarray(4));
    expect(Buffer.from(again)).toEqual(bytes);
    for (const cut of cuts(3)) {
      const { units } = decodeFields(ts, { carry: 'program', pid: Math.min(e.pid, 8190) }, [asField(bytes)], cut);
      expect(hexOf(units)).toEqual(e.pid === 8191 ? [] : [hex]);
    }
  });

  test('a recording that begins inside a packet is read from the next one on, though headers hold 0x47 as well', () => {
    // PID 0x147 puts 0x47 in the third byte of every packet, and the payload has one more at a fixed place.
    for (let skip = 1; skip < 188; skip++) {
      const packets = Array.from({ length: 20 }, (_, i) => {
        const packet = packetOf(0x147, i, i);
        packet.fill(0x47, 50, 54);
        return packet;
      });
      const recording = Buffer.concat(packets).subarray(skip);
      const { units } = decodeFields(ts, { carry: 'program', pid: 0x147 }, [asField(recording)]);
      expect(hexOf(units)).toEqual(packets.slice(1).map((packet) => packet.toString('hex')));
    }
  });

  test.each(GARBAGE)('garbage of %s before, between and behind packets loses none of them', (kind) => {
    for (let seed = 0; seed < 20; seed++) {
      const random = seeded(seed);
      const runs = [0, 1, 2].map((n) =>
        Array.from({ length: 8 }, (_, i) => packetOf(300, n * 8 + i, seed + n * 8 + i)),
      );
      const pieces = runs.flatMap((run) => [garbage(kind, Math.floor(random() * 900), seed), ...run]);
      const recording = Buffer.concat([...pieces, garbage(kind, 100, seed)]);
      const received = cuts(seed).map((cut) => decodeFields(ts, { pid: 300 }, [asField(recording)], cut));
      for (const packet of runs.flat()) expect(received[0]!.stream.includes(packet.subarray(4))).toBe(true);
      for (const other of received) expect(other.stream.equals(received[0]!.stream)).toBe(true);
    }
  });

  test.each([1, 2, 10])(
    'with %s percent of the packets noise, from the sync byte on, the others come out',
    (percent) => {
      fc.assert(
        fc.property(fc.nat(9999), (seed) => {
          const random = seeded(seed);
          const packets = packetsOf(200, seed);
          // Where a recording starts with most of its packets damaged, too little may tell that there are packets at all.
          const hit = packets.map((_, i) => random() < percent / 100 && i > 5);
          const recording = Buffer.concat(packets.map((packet, i) => (hit[i] ? noise(188, seed + i) : packet)));
          const received = cuts(seed).map((cut) => decodeFields(ts, { pid: 300 }, [asField(recording)], cut));
          for (const [i, packet] of packets.entries()) {
            if (!hit[i]) expect(received[0]!.stream.includes(packet.subarray(4))).toBe(true);
          }
          for (const other of received) expect(other.stream.equals(received[0]!.stream)).toBe(true);
        }),
        { seed: percent, numRuns: 25 },
      );
    },
  );

  test('bytes lost inside a packet lose that packet alone', () => {
    fc.assert(
      fc.property(fc.nat(9999), fc.integer({ min: 1, max: 187 }), fc.nat(186), (seed, size, from) => {
        const packets = packetsOf(30, seed);
        const start = 12 * 188 + Math.min(from, 187 - size) + 1;
        const bytes = Buffer.concat(packets);
        const recording = Buffer.concat([bytes.subarray(0, start), bytes.subarray(start + size)]);
        const { stream } = decodeFields(ts, { pid: 300 }, [asField(recording)]);
        for (const [i, packet] of packets.entries()) {
          if (i !== 12) expect(stream.includes(packet.subarray(4))).toBe(true);
        }
      }),
      { seed: 5, numRuns: 200 },
    );
  });
});

describe('one PID', () => {
  const decode = (packets: readonly Uint8Array[], options: object = {}): ReturnType<typeof decodeFields> =>
    decodeFields(ts, options, [asField(Buffer.concat(packets))]);
  const payloads = (packets: readonly Buffer[]): Buffer => Buffer.concat(packets.map((packet) => packet.subarray(4)));

  test('without a choice it is the first that carries payload twice, not one of the tables and not null packets', () => {
    const own = packetsOf(5, 1);
    const table = packetOf(17, 0, 2);
    const stray = packetOf(77, 3, 3);
    const packets = [table, NULL_PACKET, stray, own[0]!, table, NULL_PACKET, ...own.slice(1), stray];
    const { stream, counts } = decode(packets);
    expect(stream.equals(payloads(own))).toBe(true);
    expect(counts).toMatchObject({ 'PID 17': 2, 'PID 77': 2, 'PID 300': 5, 'PID 8191': 2 });
  });

  test('at the end of a short recording one packet must do', () => {
    const [packet] = packetsOf(1, 1);
    expect(decode([packet!, NULL_PACKET]).stream.equals(payloads([packet!]))).toBe(true);
  });

  test('a packet sent twice counts once, three times does not, and other bytes under the same count are no repetition', () => {
    const packets = packetsOf(6, 1);
    const [a, b] = packets as [Buffer, Buffer];
    const twice = decode([a, b, b, ...packets.slice(2)]);
    expect(twice.stream.equals(payloads(packets))).toBe(true);
    expect(twice).toMatchObject({ gaps: 0, counts: { duplicates: 1, continuityJumps: 0 } });
    expect(decode([a, b, b, b, ...packets.slice(2)])).toMatchObject({ gaps: 1, counts: { duplicates: 1 } });
    const other = packetOf(300, 1, 99);
    const unlike = decode([a, b, other, ...packets.slice(2)]);
    expect(unlike.stream.equals(payloads([a, b, other, ...packets.slice(2)]))).toBe(true);
    expect(unlike).toMatchObject({ gaps: 1, counts: { packetsLost: 15 } });
  });

  test('a clock reference may differ in a packet sent twice', () => {
    const clocked = packetsOf(6, 1);
    const first = Buffer.concat([
      Buffer.from('4701 2c 31 07 10 0000000000 00'.replaceAll(' ', ''), 'hex'),
      noise(176, 4),
    ]);
    const again = Buffer.from(first);
    again[9] = 0x55;
    const { stream, gaps } = decode([clocked[0]!, first, again, ...clocked.slice(2)]);
    expect(gaps).toBe(0);
    expect(stream.length).toBe(5 * 184 + 176);
  });

  test('a jump of the continuity counter is a gap, unless the packet says that one is due', () => {
    const packets = packetsOf(8, 1);
    const jump = decode([...packets.slice(0, 3), ...packets.slice(5)]);
    expect(jump).toMatchObject({ gaps: 1, counts: { continuityJumps: 1, packetsLost: 2 } });
    const allowed = Buffer.concat([Buffer.from('47012c35 01 80'.replaceAll(' ', ''), 'hex'), noise(182, 4)]);
    expect(decode([...packets.slice(0, 3), allowed, ...packets.slice(6)])).toMatchObject({ gaps: 0 });
  });

  test('a packet with an adaptation field only does not count, and stuffing is taken off', () => {
    const packets = packetsOf(6, 1);
    const only = Buffer.alloc(188, 0xff);
    only.set(Buffer.from('47012c22b700', 'hex'));
    const short = Buffer.from(writeTsPacket({ pid: 300, pusi: 0, continuity: 6 }, Buffer.from('last bytes')));
    const oneLess = Buffer.from(writeTsPacket({ pid: 300, pusi: 0, continuity: 7 }, noise(183, 1)));
    const { stream, gaps } = decode([...packets.slice(0, 3), only, ...packets.slice(3), short, oneLess]);
    expect(gaps).toBe(0);
    expect(stream.equals(Buffer.concat([payloads(packets), Buffer.from('last bytes'), noise(183, 1)]))).toBe(true);
  });

  test('packets with the error indicator, scrambled ones and impossible ones are dropped and counted', () => {
    const packets = packetsOf(12, 1);
    packets[3]![1]! |= 0x80;
    packets[5]![3]! |= 0x80;
    packets[7]![3]! &= 0xcf;
    packets[9]!.set([0x30 | 9, 183], 3);
    const { stream, gaps, counts } = decode(packets);
    const good = packets.filter((_, i) => ![3, 5, 7, 9].includes(i));
    expect(stream.equals(payloads(good))).toBe(true);
    expect(counts).toMatchObject({ transportErrors: 1, scrambled: 1, malformed: 2, packetsLost: 4 });
    expect(gaps).toBe(4);
  });
});

describe('the header layout', () => {
  test('is what the writer writes and the hot path reads by offset', () => {
    const header = fc.record({ pid: fc.nat(8191), pusi: fc.nat(1), continuity: fc.nat(15) });
    fc.assert(
      fc.property(header, fc.integer({ min: 1, max: 184 }), fc.nat(255), (h, length, noiseByte) => {
        const packet = writeTsPacket(h, noise(length, noiseByte));
        const adaptationControl = length === 184 ? 1 : 3;
        expect(readTsHeader(packet)).toEqual({
          sync: 0x47,
          tei: 0,
          priority: 0,
          scrambling: 0,
          adaptationControl,
          ...h,
        });
        packet[1]! ^= noiseByte & 0xa0;
        packet[3]! ^= noiseByte & 0xf0;
        const read = readTsHeader(packet);
        expect(pidAt(packet, 0)).toBe(read.pid);
        expect([packet[1]! >> 7, (packet[1]! >> 6) & 1]).toEqual([read.tei, read.pusi]);
        expect([packet[3]! >> 6, (packet[3]! >> 4) & 3, packet[3]! & 15]).toEqual([
          read.scrambling,
          read.adaptationControl,
          read.continuity,
        ]);
      }),
      { seed: 1, numRuns: 1000 },
    );
  });

  test('a payload is 1 to 184 bytes', () => {
    expect(() => writeTsPacket({ pid: 1, pusi: 0, continuity: 0 }, new Uint8Array(0))).toThrow(RangeError);
    expect(() => writeTsPacket({ pid: 1, pusi: 0, continuity: 0 }, new Uint8Array(185))).toThrow(RangeError);
  });
});

describe('encoder and decoder together', () => {
  test('data piping gives back the bytes, whatever their sizes, plain and in baseband frames', () => {
    const sizes = fc.array(fc.integer({ min: 1, max: 2000 }), { minLength: 1, maxLength: 20 });
    fc.assert(
      fc.property(sizes, fc.nat(9999), fc.boolean(), (lengths, seed, baseband) => {
        const units = lengths.map((length, i) => noise(length, seed + i));
        const packets = encodeUnits(ts, { pid: 0x101, baseband }, units);
        const fields = baseband ? intoFields(packets, 374 + (seed % 2000)) : [asField(Buffer.concat(packets))];
        for (const cut of cuts(seed)) {
          const { stream, gaps, ends } = decodeFields(ts, { pid: 0x101, baseband }, fields, cut);
          if (packets.length > 2 || !baseband) expect(stream.equals(Buffer.concat(units))).toBe(true);
          expect([gaps, ends]).toEqual([0, 1]);
        }
      }),
      { seed: 4, numRuns: 60 },
    );
  });

  test('whole packets pass as they are, and what is none is a usage error', () => {
    const packets = packetsOf(7, 3);
    expect(encodeUnits(ts, { pid: 300, carry: 'program' }, packets)).toEqual(packets);
    expect(() => encodeUnits(ts, { pid: 301, carry: 'program' }, packets)).toThrow(UsageError);
    expect(() => encodeUnits(ts, { pid: 300, carry: 'program' }, [noise(100, 1)])).toThrow(UsageError);
  });

  test('the form is found out behind a megabyte of noise, and what is neither gives nothing', () => {
    const packets = packetsOf(60, 1);
    const plain = [asField(noise(1_000_000, 8)), asField(Buffer.concat(packets))];
    const { stream } = decodeFields(ts, { pid: 300 }, plain);
    for (const packet of packets) expect(stream.includes(packet.subarray(4))).toBe(true);
    const fields = [{ ...asField(noise(1_000_000, 8)), unit: 100 }, ...intoFields(userPackets(packets), 4016)];
    const { units } = decodeFields(
      ts,
      { pid: 300, carry: 'program' },
      fields.map((f) => ({ ...f, afterGap: true })),
    );
    expect(units.length).toBeGreaterThan(packets.length - 5);
    expect(decodeFields(ts, {}, [asField(noise(300_000, 9))]).counts).toMatchObject({
      skippedBytes: 300_000,
      packets: 0,
    });
  });
});

describe('below the baseband layer', () => {
  const content = Array.from({ length: 40 }, (_, i) => noise(1004, i));
  const decodeRecording = (recording: Buffer): Buffer[] =>
    cuts(4).map((cut) => {
      const sink = collector();
      const decoder = dvbS2.decoder({}, ts.decoder({}, sink));
      feed(recording, (...block) => decoder.push(...block), cut);
      decoder.end();
      return sink.received().stream;
    });

  test('packets with sync bytes go through generic continuous frames and back', () => {
    const recording: Buffer[] = [];
    const frames = dvbS2.encoder({ frame: 4026 }, (frame) => recording.push(Buffer.from(frame)));
    const packets = ts.encoder({ pid: 300 }, (unit, divisible) => frames.push(unit, divisible));
    for (const unit of content) packets.push(unit);
    packets.flush();
    frames.flush();
    for (const stream of decodeRecording(Buffer.concat(recording)))
      expect(stream.equals(Buffer.concat(content))).toBe(true);
  });

  test.each([1504, 1528])('user packets come out of transport stream frames, with UPL %s and ISSY and DNP', (upl) => {
    const options = { issyBytes: 2, nullPacketDeletion: true } as const;
    const users = userPackets(encodeUnits(ts, { pid: 300 }, content), options);
    const frames = intoFields(users, 4016).map(({ bytes, unit }) => {
      const header = { matype1: 0xfc, matype2: 0, upl, dfl: bytes.length * 8, sync: 0x47 };
      const syncd = unit < 0 ? 65535 : unit * 8;
      return Buffer.concat([writeBasebandHeader({ ...header, syncd }), bytes, Buffer.alloc(4016 - bytes.length)]);
    });
    for (const stream of decodeRecording(Buffer.concat(frames)))
      expect(stream.equals(Buffer.concat(content))).toBe(true);
  });
});

describe('hostile input', () => {
  const random = randomFor(7, 'ts');
  const carries = ['pipe', 'sections', 'mpe', 'ule', 'program'] as const;
  const packets = packetsOf(30, 1);
  const plain = Array.from({ length: 5 }, (_, i) =>
    asField(Buffer.concat(packets.slice(i * 6, i * 6 + 6)), i * 6 * 188),
  );
  const inBaseband = intoFields(userPackets(packets), 1319);

  test('a thousand damaged recordings: no crash, no hang, one end', () => {
    for (let n = 0; n < 1000; n++) {
      const options = { carry: carries[n % 5], ...(n % 7 ? {} : { baseband: n % 2 === 0 }) };
      const { ends } = decodeFields(ts, options, mutateFields(n % 2 ? plain : inBaseband, random), cuts(n)[n % 3]);
      expect(ends).toBe(1);
    }
  });

  test.each([
    ['noise without sync', noise(65536, 1)],
    ['0x47 alone', Buffer.alloc(65536, 0x47)],
    ['zeros with a hint in each field', Buffer.alloc(65536)],
    ['packets of PIDs that change', Buffer.concat(Array.from({ length: 340 }, (_, n) => packetOf(32 + n, 0, n)))],
  ])('%s for long keeps little memory and does not stall', (_, bytes) => {
    const ignore = { push: () => undefined, gap: () => undefined, unitEnd: () => undefined, end: () => undefined };
    const decoder = ts.decoder({}, ignore);
    const before = keptBytes();
    for (let n = 0; n < 300; n++) {
      decoder.push(bytes, 0, bytes.length, n * 100_000, 3);
      decoder.unitEnd();
    }
    expect(keptBytes() - before).toBeLessThan(4_000_000);
  });
});
