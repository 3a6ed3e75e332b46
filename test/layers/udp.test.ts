import fc from 'fast-check';
import { describe, expect, test } from 'vitest';
import { UsageError } from '../../src/errors.js';
import type { Decoder, Receiver } from '../../src/layers/layer.js';
import { udp } from '../../src/layers/udp.js';
import { frameVectors, packetsOf } from '../network/vectors.js';
import { mutate, randomFor } from '../support/mutate.js';
import { cuts, noise, seeded } from './seeded.js';

type Options = Parameters<typeof udp.decoder>[0];
type Unit = { bytes: Buffer; at: number };

/** Keeps copies of the units, and a unit of no bytes for each gap. */
function collector(): Receiver & { units: Unit[]; gaps: number; ended: boolean } {
  let open: Unit | undefined;
  return {
    units: [],
    gaps: 0,
    ended: false,
    push(buffer, start, end, at, unitStart) {
      expect(open).toBeUndefined();
      expect(unitStart).toBe(start);
      open = { bytes: Buffer.from(buffer.subarray(start, end)), at };
    },
    unitEnd() {
      this.units.push(open!);
      open = undefined;
    },
    gap() {
      this.gaps++;
    },
    end() {
      this.ended = true;
    },
  };
}

/** Pushes each packet as a unit, cut into pieces of at most `piece` bytes, in buffers that are overwritten afterwards. */
function feed(decoder: Decoder, packets: readonly Uint8Array[], piece: () => number = () => 1e9, base = 0): void {
  let at = base;
  for (const packet of packets) {
    for (let from = 0; from < packet.length; ) {
      const size = Math.min(piece(), packet.length - from);
      const lent = Buffer.concat([Buffer.alloc(3, 0xee), packet.subarray(from, from + size)]);
      decoder.push(lent, 3, 3 + size, at + from, from === 0 ? 3 : -1);
      lent.fill(0xee);
      from += size;
    }
    decoder.unitEnd();
    at += packet.length;
  }
}

function encode(units: readonly Uint8Array[], options: Options = {}, divisible = false): Buffer[] {
  const packets: Buffer[] = [];
  const encoder = udp.encoder(options, (packet) => void packets.push(Buffer.from(packet)));
  for (const unit of units) encoder.push(unit, divisible);
  encoder.flush();
  return packets;
}

const ipVectors = frameVectors.filter(({ linkType }) => linkType === 101 || linkType === 228);

describe.each(ipVectors.map((vector) => [vector.id, vector.verified, vector] as const))('%s (%s)', (_, __, vector) => {
  test.each(cuts(6))('gives its payload, fed $name', ({ next: piece }) => {
    const next = collector();
    const decoder = udp.decoder({ port: 40002 }, next);
    feed(decoder, packetsOf(vector), piece);
    decoder.end();
    expect(next.units).toHaveLength(1);
    const { payload, payloadBytes, udpLength } = vector.expect as Record<string, string | number>;
    if (payload) expect(next.units[0]!.bytes.toString('hex')).toBe(payload);
    expect(next.units[0]!.bytes.length).toBe(
      payloadBytes ?? (udpLength ? Number(udpLength) - 8 : String(payload).length / 2),
    );
    expect(next.ended).toBe(true);
    expect(decoder.counts()).toMatchObject({ udpChecksumsWrong: 0, incomplete: 0 });
  });
});

test('units of any size come back, over IPv4 and IPv6, fragmented or not, however they are cut', () => {
  fc.assert(
    fc.property(
      fc.array(fc.integer({ min: 1, max: 7000 }), { maxLength: 8 }),
      fc.constantFrom('239.192.0.1', 'ff15::5'),
      fc.integer({ min: 68, max: 3000 }),
      fc.nat(),
      (sizes, address, mtu, seed) => {
        const random = seeded(seed);
        const units = sizes.map((size, i) => noise(size, seed + i));
        const packets = encode(units, { address, port: 6000, mtu });
        for (const packet of packets) expect(packet.length).toBeLessThanOrEqual(mtu);
        const next = collector();
        const decoder = udp.decoder({ address, port: 6000 }, next);
        feed(decoder, packets, () => 1 + Math.floor(random() ** 3 * 2000));
        expect(next.units.map(({ bytes }) => bytes.toString('hex'))).toEqual(units.map((unit) => unit.toString('hex')));
        expect(next.gaps).toBe(0);
      },
    ),
    { numRuns: 80, seed: 2 },
  );
});

test('`at` is the offset of the payload: behind the headers of its packet, or of its first fragment', () => {
  const packets = encode([noise(100, 1), noise(2500, 2)]);
  const next = collector();
  feed(udp.decoder({}, next), packets, undefined, 5000);
  expect(next.units.map(({ at }) => at)).toEqual([5028, 5000 + packets[0]!.length + 28]);
});

test('units that may be cut go in datagrams that need no fragments', () => {
  const packets = encode([noise(5000, 1)], { mtu: 600 }, true);
  const next = collector();
  const decoder = udp.decoder({}, next);
  feed(decoder, packets);
  expect(Buffer.concat(next.units.map(({ bytes }) => bytes)).equals(noise(5000, 1))).toBe(true);
  expect(decoder.counts()).toMatchObject({ fragments: 0, packets: packets.length });
});

test('only the chosen destination is handed on, and all are counted', () => {
  const packets = [
    ...encode([Buffer.of(1), Buffer.of(2)], { port: 5005 }),
    ...encode([Buffer.of(3)], { port: 5006 }),
    ...encode([Buffer.of(4)], { address: 'FF15:0::5', port: 5005 }),
  ];
  const chosen = (options: Options): number[] => {
    const next = collector();
    feed(udp.decoder(options, next), packets);
    return next.units.map(({ bytes }) => bytes[0]!);
  };
  expect(chosen({})).toEqual([1, 2, 3, 4]);
  expect(chosen({ port: 5005 })).toEqual([1, 2, 4]);
  expect(chosen({ address: '239.192.0.1' })).toEqual([1, 2, 3]);
  expect(chosen({ address: 'ff15::0:5', port: 5005 })).toEqual([4]);
  const decoder = udp.decoder({ port: 9 }, collector());
  feed(decoder, packets);
  expect(decoder.counts()).toMatchObject({
    'UDP 239.192.0.1:5005': 2,
    'UDP 239.192.0.1:5006': 1,
    'UDP [ff15::5]:5005': 1,
  });
});

test('a gap drops what is half received and is told to the next layer', () => {
  const next = collector();
  const decoder = udp.decoder({}, next);
  const [first, second] = encode([noise(200, 1), noise(201, 2)]);
  decoder.push(first!, 0, 100, 0, 0);
  decoder.gap();
  feed(decoder, [second!]);
  expect(next.units.map(({ bytes }) => bytes.length)).toEqual([201]);
  expect(next.gaps).toBe(1);
});

describe.each([1, 2, 10])('of every hundred packets %i', (percent) => {
  const units = Array.from({ length: 400 }, (_, i) => noise(1 + ((i * 71) % 4000), i));
  const perUnit = units.map((unit, i) => encode([unit], i % 2 ? { address: 'ff15::5' } : {}));
  // One encoder for all numbers its datagrams; here each has its own, so the numbers are set by hand.
  perUnit.forEach((packets, i) => {
    for (const packet of packets) {
      if (packet[0]! >> 4 === 4) renumber(packet, i);
      else if (packet[6] === 44) packet.writeUInt32BE(i, 44);
    }
  });

  test('dropped: only what they carried is missing', () => {
    const random = seeded(percent);
    const next = collector();
    const decoder = udp.decoder({}, next);
    const kept: string[] = [];
    units.forEach((unit, i) => {
      const packets = perUnit[i]!.filter(() => random() * 100 >= percent);
      if (packets.length < perUnit[i]!.length) decoder.gap();
      else kept.push(unit.toString('hex'));
      feed(decoder, packets);
    });
    decoder.end();
    expect(next.units.map(({ bytes }) => bytes.toString('hex'))).toEqual(kept);
    expect(kept.length).toBeLessThan(units.length);
  });

  test('damaged in their headers: no other unit suffers', () => {
    const random = seeded(100 + percent);
    const next = collector();
    const decoder = udp.decoder({}, next);
    const kept: string[] = [];
    units.forEach((unit, i) => {
      let isWhole = true;
      for (const packet of perUnit[i]!) {
        const sent = Buffer.from(packet);
        if (random() * 100 < percent) {
          isWhole = false;
          // Version, length or protocol; an IPv6 length or next header.
          sent.fill(
            0xff,
            ...((
              [
                [0, 1],
                [4, 7],
              ] as const
            )[packet[0]! >> 4 === 4 ? 0 : 1] as [number, number]),
          );
        }
        feed(decoder, [sent]);
      }
      if (isWhole) kept.push(unit.toString('hex'));
    });
    decoder.end();
    expect(next.units.map(({ bytes }) => bytes.toString('hex'))).toEqual(kept);
  });
});

/** Gives an IPv4 packet another identification, the header checksum left wrong: it is counted, not heeded. */
function renumber(packet: Buffer, id: number): void {
  packet.writeUInt16BE(id, 4);
}

test('1,000 mutated packets: no crash, no payload that was not in a packet, and the next unit is whole', () => {
  const packets = encode([noise(100, 1), noise(4000, 2)]).concat(encode([noise(4000, 3)], { address: 'ff15::5' }));
  const next = collector();
  const decoder = udp.decoder({}, next);
  const [good] = encode([Buffer.from('a whole unit')], { port: 77 });
  for (let seed = 0; seed < 1000; seed++) {
    feed(decoder, [mutate(packets[seed % packets.length]!, randomFor(seed, 'udp')), good!]);
    expect(next.units.at(-1)!.bytes.toString()).toBe('a whole unit');
  }
  feed(decoder, [noise(200_000, 1)]);
  decoder.end();
  expect(Object.keys(decoder.counts()).length).toBeLessThan(100);
});

test('options are checked, and a unit too long for a datagram is told', () => {
  const check = (options: unknown): string[] => {
    const parsed = udp.options.safeParse(options);
    return parsed.success ? [] : parsed.error.issues.map(({ path, message }) => `${path.join('.')}: ${message}`);
  };
  expect(check({ port: 5005, address: '239.1.1.1' })).toEqual([]);
  expect(check({ address: 'lowquay.example' })).toEqual([
    'address: expected an IPv4 or IPv6 address, such as 239.192.0.1',
  ]);
  expect(check({ address: 'ff15::5', source: '192.0.2.1' })).toEqual([
    'source: expected an address of the same IP version as that of the destination',
  ]);
  expect(check({ port: 0 })).toHaveLength(1);
  expect(check({ colour: 1 })).toHaveLength(1);
  expect(() => encode([Buffer.alloc(65508)])).toThrow(UsageError);
  expect(encode([Buffer.alloc(65507)], { mtu: 65535 })).toHaveLength(1);
});
