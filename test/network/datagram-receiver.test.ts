import fc from 'fast-check';
import { expect, test } from 'vitest';
import { crc32 } from '../../src/bytes/crc.js';
import { addressBytes } from '../../src/network/ip-address.js';
import { writeIpPackets } from '../../src/network/ip-packet.js';
import { ipPacketAt } from '../../src/network/link-layer.js';
import { UDP, writeUdpDatagram } from '../../src/network/udp-datagram.js';
import { noise, seeded } from '../layers/seeded.js';
import { mutate, randomFor } from '../support/mutate.js';
import { collector, frameVectors, packetsOf } from './vectors.js';

test.each(frameVectors.map((vector) => [vector.id, vector.verified, vector] as const))('%s (%s)', (_, __, vector) => {
  const { receiver, got, losses } = collector();
  for (const frame of packetsOf(vector)) {
    const at = ipPacketAt(vector.linkType, frame, 0, frame.length);
    expect(at).toBeGreaterThanOrEqual(0);
    receiver.packet(frame, at, frame.length, 0, Number.NaN);
  }
  expect(losses).toEqual([]);
  expect(got).toHaveLength(1);
  const { payload, to } = got[0]!;
  const { dport, payload: text, udpLength, payloadCrc32 } = vector.expect;
  expect(to.port).toBe(dport ?? 40002);
  if (text) expect(payload.toString('hex')).toBe(text);
  if (udpLength) expect(payload.length).toBe(udpLength - 8);
  if (payloadCrc32) expect(crc32(payload, 0, payload.length).toString(16).padStart(8, '0')).toBe(payloadCrc32);
  expect(receiver.counts().udpChecksumsWrong).toBe(0);
});

const send = (version: 4 | 6, payload: Uint8Array, id: number, mtu: number, port = 5005): Uint8Array[] => {
  const source = addressBytes(version === 4 ? '192.0.2.1' : '2001:db8::1')!;
  const destination = addressBytes(version === 4 ? '239.192.0.1' : 'ff15::5')!;
  const datagram = writeUdpDatagram(source, destination, port, port, payload);
  return writeIpPackets({ source, destination, protocol: UDP, id, mtu }, datagram);
};

test('datagrams of any size come back from fragments in any order', () => {
  fc.assert(
    fc.property(
      fc.constantFrom<4 | 6>(4, 6),
      fc.array(fc.integer({ min: 1, max: 9000 }), { minLength: 1, maxLength: 6 }),
      fc.integer({ min: 576, max: 2000 }),
      fc.nat(),
      (version, sizes, mtu, seed) => {
        const random = seeded(seed);
        const payloads = sizes.map((size, i) => noise(size, seed + i));
        const packets = payloads.flatMap((payload, i) => send(version, payload, i + 1, mtu));
        for (const packet of packets) expect(packet.length).toBeLessThanOrEqual(mtu);
        const shuffled = packets.map((packet) => ({ packet, key: random() })).sort((a, b) => a.key - b.key);
        const { receiver, got, losses } = collector();
        for (const { packet } of shuffled) receiver.packet(packet, 0, packet.length, 0, Number.NaN);
        const sorted = (all: Buffer[]): string[] => all.map((bytes) => bytes.toString('hex')).sort();
        expect(sorted(got.map(({ payload }) => payload))).toEqual(sorted(payloads));
        expect(losses).toEqual([]);
        expect(receiver.counts()).toMatchObject({
          udpChecksumsWrong: 0,
          headerChecksumsWrong: 0,
          overlapping: 0,
          incomplete: 0,
        });
      },
    ),
    { numRuns: 60, seed: 1 },
  );
});

test.each([1, 2, 10])('of every hundred packets %i dropped: only their datagrams are missing', (percent) => {
  const random = seeded(percent);
  const { receiver, got } = collector();
  const whole: string[] = [];
  for (let id = 1; id <= 800; id++) {
    const payload = noise(1 + Math.floor(random() * 6000), id);
    let isWhole = true;
    for (const packet of send(id % 2 ? 4 : 6, payload, id, 1500)) {
      if (random() * 100 < percent) isWhole = false;
      else receiver.packet(packet, 0, packet.length, 0, id);
    }
    if (isWhole) whole.push(payload.toString('hex'));
  }
  receiver.end();
  expect(got.map(({ payload }) => payload.toString('hex'))).toEqual(whole);
  expect(receiver.counts().incomplete).toBeGreaterThan(0);
});

test('a fragment that comes twice is taken once; one that overlaps with other bytes drops its datagram', () => {
  const packets = send(4, noise(4000, 3), 77, 1500);
  const feed = (all: readonly Uint8Array[]): ReturnType<typeof collector> => {
    const made = collector();
    for (const packet of all) made.receiver.packet(packet, 0, packet.length, 0, 0);
    return made;
  };
  expect(feed([packets[0]!, packets[0]!, ...packets.slice(1)]).got).toHaveLength(1);
  // The second fragment again, moved by eight bytes into the first and third (RFC 5722).
  const moved = Buffer.from(packets[1]!);
  moved.writeUInt16BE(moved.readUInt16BE(6) + 1, 6);
  const { got, receiver } = feed([packets[0]!, moved, ...packets.slice(1)]);
  expect(got).toEqual([]);
  expect(receiver.counts().overlapping).toBe(1);
  const changed = Buffer.from(packets[0]!);
  changed[40]! ^= 1;
  expect(feed([packets[0]!, changed, ...packets.slice(1)]).got).toEqual([]);
});

test('identifications used again after a while are not mixed up, by time or by number of packets', () => {
  const [first] = send(4, noise(3000, 1), 9, 1500);
  const later = send(4, noise(3000, 2), 9, 1500);
  const byTime = collector();
  byTime.receiver.packet(first!, 0, first!.length, 0, 0);
  for (const packet of later) byTime.receiver.packet(packet, 0, packet.length, 0, 31_000);
  expect(byTime.got.map(({ payload }) => payload)).toEqual([noise(3000, 2)]);

  const byCount = collector({ limits: { agePackets: 100 } });
  byCount.receiver.packet(first!, 0, first!.length, 0, Number.NaN);
  for (let i = 0; i < 101; i++) {
    const [packet] = send(4, Buffer.of(i), 1000 + i, 1500);
    byCount.receiver.packet(packet!, 0, packet!.length, 0, Number.NaN);
  }
  for (const packet of later) byCount.receiver.packet(packet, 0, packet.length, 0, Number.NaN);
  expect(byCount.got.at(-1)!.payload).toEqual(noise(3000, 2));
});

test('what waits for fragments is bounded in number and bytes', () => {
  const { receiver } = collector({ limits: { datagrams: 10, bytes: 30_000 } });
  for (let id = 1; id <= 1000; id++) {
    const [first] = send(4, noise(3000, id), id, 1500);
    receiver.packet(first!, 0, first!.length, 0, Number.NaN);
  }
  expect(receiver.counts().incomplete).toBeGreaterThanOrEqual(990);
  // Spoilt ones count too.
  for (let id = 1; id <= 1000; id++) {
    const [first] = send(4, noise(3000, id), 2000 + id, 1500);
    const bad = Buffer.from(first!);
    bad.writeUInt16BE(bad.length - 1, 2); // not a multiple of eight
    receiver.packet(bad, 0, bad.length, 0, Number.NaN);
  }
  receiver.end();
  expect(receiver.counts()).toMatchObject({ overlapping: 1000, incomplete: 1000 });
});

test('a wrong checksum is counted and the datagram is used; without a checksum nothing is counted', () => {
  const { receiver, got } = collector();
  const [packet] = send(4, Buffer.from('sail'), 1, 1500);
  const wrong = Buffer.from(packet!);
  wrong[26]! ^= 0x55;
  receiver.packet(wrong, 0, wrong.length, 0, 0);
  const none = Buffer.from(packet!);
  none.writeUInt16BE(0, 26);
  receiver.packet(none, 0, none.length, 0, 0);
  expect(got.map(({ payload }) => payload.toString())).toEqual(['sail', 'sail']);
  expect(receiver.counts().udpChecksumsWrong).toBe(1);
});

test('padding of the link layer is left out; a packet shorter than it says is lost, with its destination where it tells', () => {
  const { receiver, got, losses } = collector();
  const [packet] = send(4, Buffer.from('drag sail'), 1, 1500);
  receiver.packet(Buffer.concat([packet!, Buffer.alloc(20)]), 0, packet!.length + 20, 100, 0);
  expect(got.map(({ payload, at }) => [payload.toString(), at])).toEqual([['drag sail', 128]]);
  receiver.packet(packet!, 0, packet!.length - 1, 0, 0);
  receiver.packet(packet!, 0, 25, 0, 0);
  receiver.packet(packet!, 0, 12, 0, 0);
  expect(losses).toEqual(['UDP 239.192.0.1:5005', undefined, undefined]);
  expect(got).toHaveLength(1);
});

test('1,000 mutated packets: no crash, and never more bytes than were there', () => {
  const { receiver, got } = collector();
  const bases = [
    ...send(4, noise(2500, 1), 5, 1500),
    ...send(6, noise(2500, 2), 6, 1500),
    ...frameVectors.flatMap(packetsOf),
  ];
  for (let seed = 0; seed < 1000; seed++) {
    const packet = mutate(bases[seed % bases.length]!, randomFor(seed, 'packet'));
    for (const linkType of [0, 1, 101, 113, 276]) {
      const at = ipPacketAt(linkType, packet, 0, packet.length);
      if (at >= 0) receiver.packet(packet, at, packet.length, 0, seed);
    }
    expect(at65535(got.at(-1)?.payload)).toBe(true);
  }
  receiver.end();
});
const at65535 = (payload: Buffer | undefined): boolean => !payload || payload.length <= 65535;
