// Checks that the unit carriers of transport streams share: what is lost with lost or damaged packets, and what hostile input does.
import fc from 'fast-check';
import { expect } from 'vitest';
import { ts } from '../../src/layers/ts.js';
import { randomFor } from '../support/mutate.js';
import { cuts, noise, seeded } from './seeded.js';
import { decodeFields, encodeUnits, type Field, mutateFields } from './ts-material.js';

export type Carriage = {
  /** Options of the layer, for both sides. */
  options: object;
  /** A unit of `length` bytes that the carriage can take. */
  makeUnit: (length: number, seed: number) => Buffer;
  /** Longest unit to try. */
  longest: number;
};

const asField = (bytes: Uint8Array): Field => ({ bytes, at: 0, unit: -1 });
const hexOf = (units: readonly Uint8Array[]): string[] => units.map((unit) => Buffer.from(unit).toString('hex'));

/**
 * Packets, and for each unit the first and the last packet with a part of it: the encoder's own map. Units are 8 bytes or more,
 * so that their bytes stand nowhere else.
 */
function encodeWithMap(
  { options }: Carriage,
  units: readonly Buffer[],
): { packets: Buffer[]; spans: [number, number][] } {
  const packets = encodeUnits(ts, options, units);
  const pieces = packets.map((packet) => packet.subarray(4));
  // Where each unit lies is found by its bytes in the payloads, pointers taken out.
  const starts: number[] = [];
  const joined: Buffer[] = [];
  let length = 0;
  for (const [i, piece] of pieces.entries()) {
    const data = (packets[i]![1]! & 0x40) !== 0 ? piece.subarray(1) : piece;
    starts.push(length);
    joined.push(data);
    length += data.length;
  }
  const stream = Buffer.concat(joined);
  let from = 0;
  const spans = units.map((unit): [number, number] => {
    const at = stream.indexOf(unit, from);
    expect(at).toBeGreaterThanOrEqual(0);
    from = at + unit.length;
    // Headers and CRC-32s of at most 26 bytes stand around it.
    const packetOf = (place: number): number => starts.findLastIndex((start) => start <= place);
    return [packetOf(Math.max(0, at - 22)), packetOf(Math.min(stream.length - 1, from + 3))];
  });
  return { packets, spans };
}

export function expectRoundTrips(carriage: Carriage): void {
  const sizes = fc.array(fc.integer({ min: 1, max: carriage.longest }), { minLength: 1, maxLength: 40 });
  fc.assert(
    fc.property(sizes, fc.boolean(), fc.nat(9999), (lengths, areShort, seed) => {
      const units = lengths.map((length, i) => carriage.makeUnit(areShort ? 1 + (length % 200) : length, seed + i));
      const packets = encodeUnits(ts, carriage.options, units);
      for (const cut of cuts(seed)) {
        const { units: out, gaps } = decodeFields(ts, carriage.options, [asField(Buffer.concat(packets))], cut);
        expect(hexOf(out.map(({ bytes }) => bytes))).toEqual(hexOf(units));
        expect(gaps).toBe(0);
      }
    }),
    { seed: 1, numRuns: 40 },
  );
}

/** Lost packets are told by the continuity counter alone; damaged ones are noise behind their header, or in it as well. */
export function expectOnlyTouchedUnitsLost(carriage: Carriage, percent: number): void {
  const kinds = fc.constantFrom('lost', 'payload', 'all');
  fc.assert(
    fc.property(kinds, fc.nat(9999), (kind, seed) => {
      const random = seeded(seed);
      const lengths = Array.from({ length: 150 }, () => 8 + Math.floor(random() ** 3 * (carriage.longest - 8)));
      const units = lengths.map((length, i) => carriage.makeUnit(length, seed * 200 + i));
      const { packets, spans } = encodeWithMap(carriage, units);
      const hit = packets.map(() => random() < percent / 100);
      const received = packets.flatMap((packet, i) => {
        if (!hit[i]) return [packet];
        if (kind === 'lost') return [];
        const keep = kind === 'payload' ? 4 : 1;
        return [Buffer.concat([packet.subarray(0, keep), noise(188 - keep, seed + i)])];
      });
      const { units: out } = decodeFields(ts, carriage.options, [asField(Buffer.concat(received))]);
      const found = hexOf(out.map(({ bytes }) => bytes));
      const whole = hexOf(units.filter((_, i) => !hit.slice(spans[i]![0], spans[i]![1] + 1).some(Boolean)));
      const all = new Set(hexOf(units));
      const came = new Set(found);
      expect(whole.filter((hex) => !came.has(hex))).toEqual([]);
      expect(found.filter((hex) => !all.has(hex))).toEqual([]);
    }),
    { seed: percent, numRuns: 40 },
  );
}

/** A thousand mutated recordings: none may stop it, and what comes out is what was sent (mutations do not renew a CRC-32). */
export function expectCalmUnderFuzz(carriage: Carriage): void {
  const random = randomFor(11, JSON.stringify(carriage.options));
  const units = Array.from({ length: 14 }, (_, i) =>
    carriage.makeUnit(1 + ((i * 131) % Math.min(900, carriage.longest)), i),
  );
  const sent = new Set(hexOf(units));
  const packets = encodeUnits(ts, carriage.options, units);
  const fields: Field[] = [];
  for (let i = 0; i < packets.length; i += 7) fields.push(asField(Buffer.concat(packets.slice(i, i + 7))));
  for (let n = 0; n < 1000; n++) {
    const { units: out, ends } = decodeFields(ts, carriage.options, mutateFields(fields, random), cuts(n)[n % 3]);
    expect(ends).toBe(1);
    expect(hexOf(out.map(({ bytes }) => bytes)).filter((hex) => !sent.has(hex))).toEqual([]);
  }
}
