// Random damage to streams of mission frames. Two judges say what must survive: the map of what was sent, and a brute-force scanner
// that tries the marker at every offset with a bitwise CRC.
import fc from 'fast-check';
import { describe, expect, test } from 'vitest';
import { CRC_CATALOGUE } from '../../src/bytes/crc-catalogue.js';
import type { FrameLayout } from '../../src/mission/mission.js';
import { collect, layoutOf, makeFrames, type Result, scan } from './frame-material.js';
import { cuts, feed, noise, seeded } from './seeded.js';

const RUNS = Number(process.env['LAYER_RUNS'] ?? 80);

function decodeStream(layout: FrameLayout, bytes: Uint8Array, seed: number): Result {
  const results = cuts(seed).map((cut) => {
    const { decoder, result } = collect(layout);
    feed(bytes, (...block) => decoder.push(...block), cut);
    decoder.end();
    return result();
  });
  const brief = ({ intact, damaged, counts }: Result): object => ({
    intact: intact.map(({ at }) => at),
    damaged: damaged.map(({ at, bytes }) => [at, bytes.length]),
    counts,
  });
  for (const other of results) expect(brief(other)).toEqual(brief(results[0]!));
  return results[0]!;
}

const layouts: Record<string, FrameLayout> = {
  'CRC-16, 120-byte frames': layoutOf(),
  'CRC-32, 1004-byte frames': layoutOf({ payload: 982, crc: CRC_CATALOGUE['CRC-32/MPEG-2'] }),
  'CRC-16 not over the marker': layoutOf({ coversMarker: false }),
  'short marker, CRC-24': layoutOf({ marker: 'b5', crc: CRC_CATALOGUE['CRC-24/OPENPGP'] }),
};

/** A stream with what became of each byte: frame number * 10000 + byte of the frame, or -1 for what was never sent. */
class Stream {
  readonly frames: Buffer[];
  bytes: Buffer;
  origin: number[];

  constructor(layout: FrameLayout, count: number, seed: number) {
    this.frames = makeFrames(layout, count, seed);
    this.bytes = Buffer.concat(this.frames);
    this.origin = this.frames.flatMap((frame, n) => Array.from(frame, (_, i) => n * 10000 + i));
  }

  flip(at: number, mask: number): void {
    this.bytes[at]! ^= mask;
    this.origin[at] = -1;
  }

  splice(at: number, missing: number, inserted: Buffer): void {
    this.bytes = Buffer.concat([this.bytes.subarray(0, at), inserted, this.bytes.subarray(at + missing)]);
    this.origin = [...this.origin.slice(0, at), ...Array.from(inserted, () => -1), ...this.origin.slice(at + missing)];
  }

  /** Where frames stand whose bytes are all there, in a row and as sent. */
  whole(): number[] {
    const { length } = this.frames[0]!;
    const starts: number[] = [];
    for (let at = 0; at + length <= this.origin.length; at++) {
      const first = this.origin[at]!;
      if (first < 0 || first % 10000 !== 0) continue;
      let i = 1;
      while (i < length && this.origin[at + i] === first + i) i++;
      if (i === length) starts.push(at);
    }
    return starts;
  }

  check(layout: FrameLayout, { intact, damaged, counts }: Result): void {
    const found = intact.map(({ at }) => at);
    const whole = this.whole();
    expect(found.filter((at) => whole.includes(at))).toEqual(whole);
    expect(found).toEqual(scan(layout, this.bytes));
    const sent = new Set(this.frames.map((frame) => frame.toString('latin1')));
    for (const { bytes } of intact) expect(sent.has(bytes.toString('latin1'))).toBe(true);
    // Every byte is in an intact frame, in a damaged one, or counted as skipped.
    const seen = [...intact, ...damaged].reduce((sum, { bytes }) => sum + bytes.length, 0);
    expect(seen + counts['skippedBytes']!).toBe(this.bytes.length);
    for (const { at, bytes } of damaged) expect(bytes.equals(this.bytes.subarray(at, at + bytes.length))).toBe(true);
  }
}

describe.each(Object.entries(layouts))('%s', (_, layout) => {
  const count = 16;
  const total = count * layout.length;
  const position = fc.integer({ min: 0, max: total - 1 });

  test('wrong bytes, one in a thousand, cost just the frames they are in', () => {
    let lost = 0;
    fc.assert(
      fc.property(fc.nat(1e6), (seed) => {
        const stream = new Stream(layout, count, seed % 50);
        const random = seeded(seed);
        const hit = new Set<number>();
        for (let at = 0; at < total; at++) {
          if (random() >= 1e-3) continue;
          stream.flip(at, 1 + Math.floor(random() * 255));
          hit.add(Math.floor(at / layout.length));
        }
        const result = decodeStream(layout, stream.bytes, seed);
        stream.check(layout, result);
        expect(result.intact.map(({ at }) => at / layout.length)).toEqual(
          [...Array(count).keys()].filter((n) => !hit.has(n)),
        );
        lost += hit.size;
      }),
      { seed: 1, numRuns: RUNS },
    );
    expect(lost).toBeGreaterThan(RUNS / 2);
  });

  test('bytes missing or too many at random places cost just the frames they touch', () => {
    fc.assert(
      fc.property(
        fc.nat(1e6),
        fc.array(fc.record({ at: position, missing: fc.nat(300), inserted: fc.nat(300) }), {
          minLength: 1,
          maxLength: 5,
        }),
        fc.array(position, { maxLength: 5 }),
        (seed, edits, flips) => {
          const stream = new Stream(layout, count, seed % 50);
          for (const at of flips) stream.flip(at, 0x42);
          for (const { at, missing, inserted } of edits) stream.splice(at, missing, noise(inserted, seed));
          stream.check(layout, decodeStream(layout, stream.bytes, seed));
        },
      ),
      { seed: 2, numRuns: RUNS },
    );
  });

  test('pieces repeated, exchanged or left out cost just the frames they cut', () => {
    fc.assert(
      fc.property(
        fc.nat(1e6),
        fc.array(fc.record({ from: position, size: fc.nat(3 * layout.length), to: position }), { maxLength: 4 }),
        (seed, moves) => {
          const stream = new Stream(layout, count, seed % 50);
          for (const { from, size, to } of moves) {
            const piece = stream.bytes.subarray(from, from + size);
            const origin = stream.origin.slice(from, from + size);
            stream.bytes = Buffer.concat([stream.bytes.subarray(0, to), piece, stream.bytes.subarray(to)]);
            stream.origin = [...stream.origin.slice(0, to), ...origin, ...stream.origin.slice(to)];
          }
          stream.check(layout, decodeStream(layout, stream.bytes, seed));
        },
      ),
      { seed: 3, numRuns: RUNS },
    );
  });
});
