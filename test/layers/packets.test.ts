// Space packets (CCSDS 133.0-B) in byte streams, frames and units: vectors of test/vectors/space-packet.json (decoded the same by
// tshark, see there), packets made by hand, and the whole chain of packets, transfer frames and CADUs under loss.
import fc from 'fast-check';
import { describe, expect, test } from 'vitest';
import { UsageError } from '../../src/errors.js';
import { aos } from '../../src/layers/aos.js';
import { cadu } from '../../src/layers/cadu.js';
import type { Decoder, LayerCounts } from '../../src/layers/layer.js';
import { packets } from '../../src/layers/packets.js';
import {
  apidAt,
  countAt,
  flagsAt,
  hasSecondaryHeaderAt,
  idlePacket,
  type PacketHeader,
  packetBytesAt,
  readPacketHeader,
  writePacketHeader,
} from '../../src/layers/packets-header.js';
import { tm } from '../../src/layers/tm.js';
import { mutate, randomFor } from '../support/mutate.js';
import {
  type Decoded,
  decodeStream,
  decodeUnits,
  encode,
  hex,
  make,
  Taker,
  vectors,
  withCrc,
} from './cadu-material.js';
import { noise, seeded } from './seeded.js';

const FIRST = 1;
const CONTINUED = 0;
const LAST = 2;
const ALONE = 3;

type Shape = Partial<PacketHeader> & { data?: Uint8Array; crc?: boolean };
function packet({ data = noise(20, 1), crc = false, ...header }: Shape): Buffer {
  const bytes = Buffer.concat([
    writePacketHeader({
      version: 0,
      type: 0,
      secondaryHeader: 0,
      apid: 291,
      flags: ALONE,
      count: 0,
      length: data.length + (crc ? 2 : 0) - 1,
      ...header,
    }),
    data,
  ]);
  return crc ? withCrc(bytes) : bytes;
}
/** Packets with rising counts, and data that tell them apart. */
const run = (counts: number[], shape: Shape = {}): Buffer[] =>
  counts.map((count) => packet({ data: noise(10 + (count % 7), count + 1), ...shape, count }));
const dataOf = (bytes: Uint8Array): string => Buffer.from(bytes.subarray(6)).toString('hex');
const stream = (parts: Uint8Array[], options: object = {}): Decoded =>
  decodeStream(packets, options, Buffer.concat(parts));

const all = vectors('space-packet.json');

describe('vectors', () => {
  test.each(all)('%s: the primary header', (_, { hex: text, expect: fields }) => {
    const bytes = hex(text);
    const header = readPacketHeader(bytes);
    expect(header).toMatchObject({
      version: fields['version'],
      apid: fields['apid'],
      flags: fields['seqFlags'],
      count: fields['seq'],
    });
    if (fields['lengthField'] !== undefined) {
      expect(header).toMatchObject({
        type: fields['type'],
        secondaryHeader: fields['secHdr'],
        length: fields['lengthField'],
      });
      expect(packetBytesAt(bytes, 0, bytes.length)).toBe(fields['totalBytes']);
    }
    expect(Buffer.from(writePacketHeader(header)).toString('hex')).toBe(text.slice(0, 12));
  });

  test.each(all)('%s: what is handed on, whole, byte by byte and cut at random', (_, { id, hex: text }) => {
    const { texts, pieces, counts } = stream([hex(text)], { join: false });
    expect(texts).toEqual(id === 'idle' ? [] : [text.slice(12)]);
    if (id !== 'idle') expect(pieces[0]).toMatchObject({ at: 6, unit: 0, whole: true, afterGap: false });
    expect(counts).toMatchObject({
      packets: 1,
      idlePackets: id === 'idle' ? 1 : 0,
      cut: 0,
      misfits: 0,
      skippedBytes: 0,
    });
  });

  test('all of them, one behind the other', () => {
    const { texts, counts } = stream(
      all.map(([, { hex: text }]) => hex(text)),
      { join: false },
    );
    expect(texts).toEqual(all.filter(([, { id }]) => id !== 'idle').map(([, { hex: text }]) => text.slice(12)));
    expect(counts).toMatchObject({ packets: 5, 'APID 1': 1, 'APID 291': 2, 'APID 2045': 1 });
  });

  test('the encoder writes the unsegmented one, its count set to 0', () => {
    const text = all.find(([, { id }]) => id === 'unsegmented')![1].hex;
    const [bytes] = encode(packets, { apid: 291 }, [hex(text.slice(12))]);
    expect(bytes!.toString('hex')).toBe(`0123c000${text.slice(8)}`);
  });
});

test('what is read by offset is what the layout states', () => {
  fc.assert(
    fc.property(fc.uint8Array({ minLength: 6, maxLength: 6 }), (bytes) => {
      const header = readPacketHeader(bytes);
      expect(apidAt(bytes, 0)).toBe(header.apid);
      expect(flagsAt(bytes, 0)).toBe(header.flags);
      expect(countAt(bytes, 0)).toBe(header.count);
      expect(hasSecondaryHeaderAt(bytes, 0)).toBe(header.secondaryHeader === 1);
      if (header.version === 0) expect(packetBytesAt(bytes, 0, 6)).toBe(header.length + 7);
      if (header.version !== 0 && header.version !== 7) expect(packetBytesAt(bytes, 0, 6)).toBe(-1);
      expect(writePacketHeader(header)).toEqual(bytes);
    }),
    { seed: 133 },
  );
  expect(() => readPacketHeader(new Uint8Array(5))).toThrow(RangeError);
});

describe('packets', () => {
  test('another APID is counted, its losses are not this one’s', () => {
    const mine = run([5, 6, 7]);
    const theirs = run([900, 950, 20], { apid: 12 });
    const { texts, pieces, counts } = stream([mine[0]!, theirs[0]!, mine[1]!, theirs[1]!, theirs[2]!, mine[2]!], {
      apid: 291,
    });
    expect(texts).toEqual(mine.map(dataOf));
    expect(pieces.map(({ afterGap }) => afterGap)).toEqual([false, false, false]);
    expect(counts).toMatchObject({ otherApids: 3, lost: 0, 'APID 291': 3, 'APID 12': 3 });
  });

  test('counts of 14 bits wrap; a jump is a gap and counted, a step back only a gap', () => {
    const { pieces, counts } = stream(run([16382, 16383, 0, 1, 5, 6, 2, 3]));
    expect(pieces.map(({ afterGap }) => afterGap)).toEqual([false, false, false, false, true, false, true, false]);
    expect(counts).toMatchObject({ lost: 3, countsBack: 1 });
  });

  test('a secondary header is passed over where the flag says that there is one', () => {
    const data = noise(20, 3);
    const sent = [
      packet({ data, secondaryHeader: 1 }),
      packet({ data, count: 1 }),
      packet({ data: noise(3, 1), secondaryHeader: 1, count: 2 }),
    ];
    const { texts, pieces, counts } = stream(sent, { secondaryHeader: 8 });
    expect(texts).toEqual([data.subarray(8), data].map((bytes) => bytes.toString('hex')));
    expect(pieces.map(({ at }) => at)).toEqual([14, 32]);
    expect(counts).toMatchObject({ tooShort: 1 });
    expect(stream([packet({ data: noise(8, 1), secondaryHeader: 1 })], { secondaryHeader: 8 })).toMatchObject({
      texts: [],
      counts: { tooShort: 0 },
    });
  });

  test('a CRC is checked and taken off; a packet whose CRC is wrong is dropped', () => {
    const sent = run([0, 1, 2], { crc: true });
    sent[1]![9]! ^= 4;
    const { texts, pieces, counts } = stream(sent, { crc: true });
    expect(texts).toEqual([sent[0]!, sent[2]!].map((bytes) => dataOf(bytes.subarray(0, -2))));
    expect(pieces.map(({ afterGap }) => afterGap)).toEqual([false, true]);
    expect(counts).toMatchObject({ crcWrong: 1, lost: 1 });
  });

  test.each([
    ['1 byte', 'e0'],
    ['2 bytes of header', 'e505aabbcc'],
    ['4 bytes of header', 'e6000008aabbccdd'],
    ['8 bytes of header', 'e70000000000000baabbcc'],
  ])('encapsulation packets are passed over by their length: %s', (_, text) => {
    const sent = run([0, 1]);
    const { texts, counts } = stream([sent[0]!, hex(text), hex(text), sent[1]!]);
    expect(texts).toEqual(sent.map(dataOf));
    expect(counts).toMatchObject({ packets: 2, encapsulationPackets: 2, misfits: 0, skippedBytes: 0 });
  });

  test.each([
    ['a version that does not exist', '60ffff'],
    ['an encapsulation packet shorter than its header', 'e501'],
    ['an encapsulation packet of gigabytes', 'e7000000ffffffff'],
  ])('%s: nothing is read until the layer below says where a packet begins', (_, text) => {
    const sent = run([0, 1, 2, 3]);
    const { texts, counts } = stream([sent[0]!, hex(text), sent[1]!]);
    expect(texts).toEqual([dataOf(sent[0]!)]);
    expect(counts).toMatchObject({ misfits: 1, skippedBytes: text.length / 2 + sent[1]!.length });
    const frame = Buffer.concat([noise(7, 7), sent[2]!, sent[3]!]);
    const taker = new Taker();
    const decoder = make(packets, {}, taker);
    const first = Buffer.concat([sent[0]!, hex(text), sent[1]!]);
    decoder.push(first, 0, first.length, 0, 0);
    decoder.push(frame, 0, frame.length, first.length, 7);
    expect(taker.texts).toEqual([0, 2, 3].map((n) => dataOf(sent[n]!)));
  });
});

describe('units cut into several packets', () => {
  const parts = (counts: number[], flags: number[], apid = 291): Buffer[] =>
    counts.map((count, n) => packet({ count, flags: flags[n]!, apid, data: noise(8, count + apid) }));
  const joined = (sent: Buffer[]): string => sent.map(dataOf).join('');

  test('are joined while their counts follow each other, over the wrap too', () => {
    const sent = parts([16382, 16383, 0, 1], [FIRST, CONTINUED, CONTINUED, LAST]);
    const { texts, pieces, counts } = stream([...sent, ...run([2])]);
    expect(texts).toEqual([joined(sent), dataOf(run([2])[0]!)]);
    expect(pieces.map(({ at, unit, whole }) => [at, unit, whole])).toEqual([
      [6, 0, true],
      [62, 0, true],
    ]);
    expect(counts).toMatchObject({ joined: 1, unitsIncomplete: 0, partsAlone: 0 });
  });

  test('of several APIDs at once are kept apart', () => {
    const a = parts([0, 1, 2], [FIRST, CONTINUED, LAST], 10);
    const b = parts([7, 8, 9], [FIRST, CONTINUED, LAST], 11);
    expect(stream([0, 1, 2].flatMap((n) => [a[n]!, b[n]!])).texts).toEqual([joined(a), joined(b)]);
  });

  test.each([
    ['the first', 0],
    ['a continuation', 1],
    ['the last', 3],
  ])('are dropped as a whole when %s is missing, and the next is not touched', (_, missing) => {
    const sent = parts([0, 1, 2, 3], [FIRST, CONTINUED, CONTINUED, LAST]);
    const after = parts([4, 5], [FIRST, LAST]);
    const { texts, pieces, counts } = stream([...sent.filter((_one, n) => n !== missing), ...after]);
    expect(texts).toEqual([joined(after)]);
    expect(pieces[0]!.afterGap).toBe(true);
    expect(counts).toMatchObject({ joined: 1, lost: missing === 0 ? 0 : 1, unitsIncomplete: missing === 0 ? 0 : 1 });
  });

  test('survive that a part was recorded twice', () => {
    const sent = parts([0, 1, 2], [FIRST, CONTINUED, LAST]);
    expect(stream([sent[0]!, sent[1]!, sent[1]!, sent[2]!]).texts).toEqual([joined(sent)]);
  });

  test('are not joined when the option says so', () => {
    const sent = parts([0, 1, 2], [FIRST, CONTINUED, LAST]);
    expect(stream(sent, { join: false }).texts).toEqual(sent.map(dataOf));
  });

  test('are kept up to a limit, and of 16 APIDs at once', () => {
    const sent = parts([0, 1, 2], [FIRST, CONTINUED, LAST]);
    expect(stream(sent, { longestUnit: 24 }).texts).toEqual([joined(sent)]);
    expect(stream(sent, { longestUnit: 23 })).toMatchObject({ texts: [], counts: { unitsTooLong: 1 } });
    const many = Array.from({ length: 17 }, (_, n) => parts([0, 1], [FIRST, LAST], n + 1));
    const { texts, counts } = stream([...many.map(([first]) => first!), ...many.map(([, last]) => last!)]);
    expect(texts).toEqual(many.slice(1).map(joined));
    expect(counts).toMatchObject({ unitsIncomplete: 1, partsAlone: 1 });
  });

  test('that never end take no more memory than the limit', () => {
    const taker = new Taker();
    const decoder = make(packets, { longestUnit: 1 << 20 }, taker);
    const before = process.memoryUsage().arrayBuffers;
    for (let n = 0; n < 3000; n++) {
      const bytes = packet({ count: n, flags: n % 1500 === 0 ? FIRST : CONTINUED, data: Buffer.alloc(30000) });
      decoder.push(bytes, 0, bytes.length, 0, 0);
    }
    expect(process.memoryUsage().arrayBuffers - before).toBeLessThan(120 << 20);
    expect(decoder.counts()).toMatchObject({ unitsTooLong: 2 });
    expect(taker.pieces).toEqual([]);
  });
});

describe('across frames', () => {
  const sent = run([0, 1, 2, 3, 4, 5]);
  const whole = Buffer.concat(sent);
  const ends = sent.map((_, n) => Buffer.concat(sent.slice(0, n + 1)).length);
  const starts = [0, ...ends.slice(0, -1)];
  /** Pushes zones of `size` bytes with true first header pointers; of zones in `without` only a gap. */
  function zones(
    size: number,
    without: number[],
    told = true,
    change: (pointer: number) => number = (p) => p,
  ): Taker & { counts: LayerCounts } {
    const taker = new Taker();
    const decoder: Decoder = make(packets, {}, taker);
    for (let n = 0; n * size < whole.length; n++) {
      const from = n * size;
      const to = Math.min(whole.length, from + size);
      if (without.includes(n)) {
        if (told) decoder.gap();
        continue;
      }
      const first = starts.find((start) => start >= from && start < to);
      const pointer = first === undefined ? -1 : change(first - from);
      decoder.push(whole, from, to, from, pointer < 0 ? -1 : Math.min(to - 1, from + pointer));
    }
    decoder.end();
    return Object.assign(taker, { counts: decoder.counts() });
  }
  const untouched = (size: number, without: number[]): string[] =>
    sent
      .filter((_, n) => !without.some((zone) => zone * size < ends[n]! && (zone + 1) * size > starts[n]!))
      .map(dataOf);

  test.each([1, 2, 5, 6, 7, 16, 17, 33, 50])('zones of %i bytes: packets go on in the next one', (size) => {
    const { texts, pieces } = zones(size, []);
    expect(texts).toEqual(sent.map(dataOf));
    expect(pieces.map(({ at }) => at)).toEqual(starts.map((start) => start + 6));
  });

  test.each([5, 6, 7, 16, 17, 33, 50])('zones of %i bytes: a missing one costs the packets in it', (size) => {
    for (let n = 0; n * size < whole.length; n++) expect(zones(size, [n]).texts).toEqual(untouched(size, [n]));
  });

  test.each([16, 17, 33, 50])(
    'zones of %i bytes: one missing unnoticed does not join what is left of two packets',
    (size) => {
      for (let n = 0; n * size < whole.length; n++) {
        const { texts } = zones(size, [n], false);
        // By accident the pieces of two packets of equal length can fit: only packets that were sent, or none, are right else.
        expect(texts.filter((text) => untouched(size, [n]).includes(text))).toEqual(untouched(size, [n]));
      }
    },
  );

  test('a carried packet that does not end where the pointer says is dropped', () => {
    const { texts, counts } = zones(20, [], true, (pointer) => (pointer === 0 ? 0 : pointer + 1));
    expect(counts['misfits']).toBeGreaterThan(0);
    for (const text of texts) expect(sent.map(dataOf)).toContain(text);
  });

  test.each([0, 1, 25, 29, 31, 35])(
    'a carried packet that lacks 30 bytes is dropped where the next begins after %i',
    (tail) => {
      const carried = packet({ data: noise(44, 1) });
      const next = packet({ data: noise(9, 2), count: 5 });
      const taker = new Taker();
      const decoder = make(packets, {}, taker);
      decoder.push(carried, 0, 20, 0, 0);
      const zone = Buffer.concat([noise(tail, 3), next]);
      decoder.push(zone, 0, zone.length, 100, tail);
      expect(taker.texts).toEqual([dataOf(next)]);
      expect(decoder.counts()).toMatchObject({ packets: 1, misfits: 1 });
    },
  );

  test('a stream that begins inside a packet is read from where one begins', () => {
    const taker = new Taker();
    const decoder = make(packets, {}, taker);
    decoder.gap();
    decoder.push(whole, 3, ends[0]!, 3, -1);
    decoder.push(whole, ends[0]!, ends[1]! + 4, ends[0]!, ends[0]!);
    decoder.push(whole, ends[1]! + 4, whole.length, ends[1]! + 4, -1);
    expect(taker.texts).toEqual(sent.slice(1).map(dataOf));
    expect(decoder.counts()).toMatchObject({ skippedBytes: ends[0]! - 3 });
  });
});

describe('in units', () => {
  test('one packet in each, or several; a packet never goes on in the next unit', () => {
    const sent = run([0, 1, 2, 3]);
    const units = [sent[0]!, Buffer.concat([sent[1]!, sent[2]!, sent[3]!.subarray(0, 9)]), sent[3]!];
    const { texts, counts } = decodeUnits(packets, {}, units);
    expect(texts).toEqual(sent.map(dataOf));
    expect(counts).toMatchObject({ packets: 4, cut: 1, lost: 0 });
  });

  test('a gap between units costs nothing', () => {
    const sent = run([0, 1, 4]);
    expect(decodeUnits(packets, {}, [sent[0]!, 'gap', sent[1]!, 'gap', sent[2]!]).texts).toEqual(sent.map(dataOf));
  });
});

describe('encoder and decoder', () => {
  test('agree for units of every size, secondary headers and CRCs', () => {
    fc.assert(
      fc.property(
        fc.array(fc.uint8Array({ minLength: 1, maxLength: 400 }), { maxLength: 12 }),
        fc.integer({ min: 20, max: 120 }),
        fc.integer({ min: 0, max: 10 }),
        fc.boolean(),
        (units, length, secondaryHeader, crc) => {
          const options = { apid: 7, length, secondaryHeader, crc };
          const made = encode(packets, options, units);
          expect(made.every((bytes) => bytes.length <= length)).toBe(true);
          expect(made.map((bytes) => readPacketHeader(bytes).count)).toEqual(made.map((_, n) => n));
          expect(stream(made, options).texts).toEqual(units.map((unit) => Buffer.from(unit).toString('hex')));
        },
      ),
      { seed: 133, numRuns: 60 },
    );
  });

  test('the longest packet has a length field of 65535', () => {
    const [one] = encode(packets, {}, [Buffer.alloc(65536, 1)]);
    expect(readPacketHeader(one!)).toMatchObject({ flags: ALONE, length: 65535 });
    expect(encode(packets, {}, [Buffer.alloc(65537, 1)]).map((bytes) => readPacketHeader(bytes).flags)).toEqual([
      FIRST,
      LAST,
    ]);
    expect(stream([one!]).pieces[0]!.bytes.length).toBe(65536);
  });

  test('what does not fit is refused', () => {
    expect(() => encode(packets, { length: 10, join: false }, [Buffer.alloc(5)])).toThrow(UsageError);
    expect(() => encode(packets, { length: 10, secondaryHeader: 4 }, [])).toThrow('packets.length');
  });

  test.each([
    { apid: 2047 },
    { apid: -1 },
    { secondaryHeader: -1 },
    { length: 6 },
    { length: 65543 },
    { crc: 1 },
    { other: 1 },
  ])('option %j is refused', (options) => {
    expect(packets.options.safeParse(options).success).toBe(false);
  });
});

describe('packets in transfer frames in CADUs', () => {
  const FRAME = 128;
  const chains = [
    { name: 'aos', layer: aos, zone: FRAME - 10, options: { length: FRAME, vcid: 3, scid: 77 }, randomized: 'new' },
    { name: 'tm', layer: tm, zone: FRAME - 8, options: { length: FRAME, vcid: 3, scid: 77 }, randomized: 'legacy' },
  ] as const;

  /** What each unit's packets occupy, counted in frames, by arithmetic alone. */
  function mapOf(made: readonly Buffer[], zone: number): { first: number; last: number; opens: boolean }[] {
    let end = 0;
    return made.map((bytes) => {
      const start = end;
      end += bytes.length;
      const flags = readPacketHeader(bytes).flags;
      return {
        first: Math.floor(start / zone),
        last: Math.floor((end - 1) / zone),
        opens: flags === ALONE || flags === FIRST,
      };
    });
  }

  for (const { name, layer, zone, options, randomized } of chains) {
    const packing = { apid: 291, length: 90, crc: true };
    const link = { length: FRAME + 4, randomized };

    test.each([0, 1, 2, 10])(
      `${name}: %i %% of the frames damaged or lost costs what they carried, nothing else`,
      (percent) => {
        fc.assert(
          fc.property(fc.integer(), fc.boolean(), (seed, found) => {
            const random = seeded(seed);
            const units = Array.from({ length: 300 }, (_, n) => noise(1 + Math.floor(random() ** 2 * 300), seed + n));
            const made = encode(packets, packing, units);
            const frames = encode(layer, options, made);
            const cadus = encode(cadu, link, frames);
            const hit = new Set<number>();
            const received = cadus.map((bytes, n) => {
              if (random() * 100 >= percent) return bytes;
              hit.add(n);
              if (random() < 0.4) return Buffer.alloc(0);
              const damaged = Buffer.from(bytes);
              for (let i = 0; i < 3; i++) damaged[4 + Math.floor(random() * FRAME)]! ^= 1 + Math.floor(random() * 255);
              return random() < 0.3 ? damaged.subarray(0, Math.floor(random() * damaged.length)) : damaged;
            });

            const expected: string[] = [];
            let unit = -1;
            let safe = true;
            for (const { first, last, opens } of [...mapOf(made, zone), { first: 0, last: -1, opens: true }]) {
              if (opens) {
                if (unit >= 0 && safe) expected.push(units[unit]!.toString('hex'));
                unit++;
                safe = true;
              }
              for (let n = first; n <= last; n++) if (hit.has(n)) safe = false;
            }

            const taker = new Taker();
            const inner = make(packets, packing, taker);
            const middle = make(layer, { vcid: 3 }, inner);
            const outer = make(cadu, { ...link, randomized: found ? true : randomized }, middle);
            const bytes = Buffer.concat(received);
            for (let at = 0; at < bytes.length; ) {
              const end = Math.min(bytes.length, at + 1 + Math.floor(random() * 3000));
              outer.push(bytes, at, end, at, -1);
              at = end;
            }
            outer.end();
            expect(taker.texts).toEqual(expected);
            if (percent === 0) expect(taker.texts.length).toBe(300);
          }),
          { seed: percent + 1, numRuns: 12 },
        );
      },
    );

    test(`${name}: two channels by turns, each read on its own`, () => {
      const random = seeded(4);
      const sides = [2, 5].map((vcid) => {
        const units = Array.from({ length: 60 }, (_, n) => noise(1 + Math.floor(random() * 200), 1000 * vcid + n));
        return {
          vcid,
          units,
          frames: encode(layer, { ...options, vcid }, encode(packets, { apid: vcid, length: 90 }, units)),
        };
      });
      const mixed: Buffer[] = [];
      const queues = sides.map(({ frames }) => [...frames]);
      while (queues.some(({ length }) => length > 0)) {
        const next = queues[random() < 0.5 ? 0 : 1]!.shift();
        if (next) mixed.push(next);
      }
      for (const { vcid, units } of sides) {
        const taker = new Taker();
        const decoder = make(layer, { vcid }, make(packets, {}, taker));
        for (const bytes of mixed) {
          decoder.gap();
          decoder.push(bytes, 0, bytes.length, 0, 0);
          decoder.unitEnd();
        }
        expect(taker.texts).toEqual(units.map((unit) => unit.toString('hex')));
      }
    });
  }
});

test('1,000 mutated streams, with pointers right and wrong: no crash, no packet out of nowhere, memory bounded', () => {
  const random = randomFor(133, 'packets');
  const sent = Array.from({ length: 60 }, (_, count) =>
    packet({
      count,
      data: noise(5 + (count % 40), count),
      flags: [ALONE, FIRST, CONTINUED, LAST][count % 4]!,
      apid: 5 + (count % 3),
    }),
  );
  const recording = Buffer.concat([...sent.slice(0, 30), idlePacket(40), hex('e505aabbcc'), ...sent.slice(30)]);
  for (let round = 0; round < 1000; round++) {
    const bytes = mutate(recording, random);
    const taker = new Taker();
    const decoder = make(
      packets,
      [{}, { join: false }, { crc: true, secondaryHeader: 4 }, { apid: 6 }][round % 4]!,
      taker,
    );
    for (let at = 0; at < bytes.length; ) {
      const end = Math.min(bytes.length, at + 1 + Math.floor(random() * 150));
      const pointer = random() < 0.3 ? at + Math.floor(random() * (end - at)) : -1;
      decoder.push(bytes, at, end, at, pointer);
      if (random() < 0.05) decoder.gap();
      if (random() < 0.02) decoder.unitEnd();
      at = end;
    }
    decoder.end();
    const total = taker.pieces.reduce((sum, { bytes: data }) => sum + data.length, 0);
    expect(total).toBeLessThanOrEqual(bytes.length);
    for (const { at } of taker.pieces) expect(at).toBeLessThan(bytes.length);
  }
});
