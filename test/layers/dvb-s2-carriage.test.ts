// What baseband frames carry, and how: every kind of stream behind every kind of mode adaptation header, sent, hit and received.
// What must come back is told by the encoder's own map: which mission frame went into which baseband frames.
import { readFileSync } from 'node:fs';
import fc from 'fast-check';
import { describe, expect, test } from 'vitest';
import { makeCrc } from '../../src/bytes/crc.js';
import { CRC_CATALOGUE } from '../../src/bytes/crc-catalogue.js';
import { UsageError } from '../../src/errors.js';
import { readBasebandHeader, streamName } from '../../src/layers/baseband-header.js';
import { addScrambler, SCRAMBLER_SEQUENCE } from '../../src/layers/baseband-scrambler.js';
import { decodeChain, encodeChain } from '../../src/layers/chain.js';
import { dvbS2 } from '../../src/layers/dvb-s2.js';
import { type ModeAdaptationType, readModeAdaptation } from '../../src/layers/mode-adaptation.js';
import type { FrameLayout, LayerChoice } from '../../src/mission/mission.js';
import { decode, makeFrame } from './baseband-material.js';
import { layoutOf, makeFrames } from './frame-material.js';
import { type Cut, cuts, feed, noise, seeded } from './seeded.js';
import { encodeUnits } from './ts-material.js';

const RUNS = Number(process.env['LAYER_RUNS'] ?? 8);
const AHEAD = { 'L.1': 0, 'L.2': 2, 'L.3': 4, 'L.4': 3 } as const;
const ADAPTATIONS = Object.keys(AHEAD) as ModeAdaptationType[];
const whole = cuts(0)[0]!;

type Carriage = { name: string; options: object; inner: LayerChoice[]; matype1: number; upl: number; sync: number };
const stream: LayerChoice = { name: 'stream', options: {} };
const gse = (options: object): LayerChoice => ({ name: 'gse', options: { protocol: 0x88b5, ...options } });
const ts = (options: object): LayerChoice => ({ name: 'ts', options: { pid: 300, ...options } });
/** Values of EN 302 307-1, 5.1.6, and EN 302 307-2 for GSE-HEM, by the fact sheet: single input stream, CCM, roll-off 0.35. */
const CARRIAGES: Carriage[] = [
  { name: 'continuous stream', options: {}, inner: [stream], matype1: 0x70, upl: 0, sync: 0 },
  { name: 'continuous stream with CRC-32', options: { crc32: true }, inner: [stream], matype1: 0x70, upl: 0, sync: 1 },
  { name: 'GSE', options: {}, inner: [gse({})], matype1: 0x70, upl: 0, sync: 0 },
  {
    name: 'GSE-HEM',
    options: { stream: 'gse-hem' },
    inner: [gse({ crossFrames: true })],
    matype1: 0xb0,
    upl: 0,
    sync: 0,
  },
  {
    name: 'user packets',
    options: { stream: 'packetised' },
    inner: [stream],
    matype1: 0x30,
    upl: 1004 * 8,
    sync: 0x1a,
  },
  { name: 'transport stream', options: { stream: 'transport' }, inner: [ts({})], matype1: 0xf0, upl: 1504, sync: 0x47 },
  {
    name: 'transport stream, user packets made by its layer',
    options: { stream: 'transport' },
    inner: [ts({ baseband: true, carry: 'pipe' })],
    matype1: 0xf0,
    upl: 1504,
    sync: 0x47,
  },
];

const layout = layoutOf({ payload: 1004 - 20 });
const text = (frame: Uint8Array): string => Buffer.from(frame).toString('latin1');

type Sent = { frame: string; first: number; last: number };

/** Records, and for each mission frame the first and the last record with a part of it, or that may have one. */
function send(
  layers: LayerChoice[],
  frames: readonly Buffer[],
  stops: readonly number[] = [],
): { records: Buffer[]; sent: Sent[] } {
  const records: Buffer[] = [];
  const encoder = encodeChain(layers, (record) => records.push(Buffer.from(record)));
  // What layers between hold back comes out with the frame after it.
  const holds = layers.some(({ name }) => name === 'ts');
  const ends: number[] = [];
  const starts = frames.map((frame, n) => {
    const start = records.length;
    encoder.push(frame);
    if (stops.includes(n)) encoder.flush();
    ends.push(records.length);
    return start;
  });
  encoder.flush();
  const sent = frames.map((frame, n) => {
    const end = holds ? (ends[n + 1] ?? records.length) : ends[n]!;
    return { frame: text(frame), first: Math.max(0, starts[n]! - Number(holds)), last: end };
  });
  return { records, sent };
}

type Heard = { intact: string[]; counts: Record<string, number>; text: string };
function receive(layers: LayerChoice[], frame: FrameLayout, bytes: Uint8Array, cut: Cut): Heard {
  const intact: string[] = [];
  const chain = decodeChain(
    { layers, frame },
    { intact: (b, start) => void intact.push(text(b.subarray(start, start + frame.length))), damaged: () => undefined },
  );
  feed(bytes, (...block) => chain.input.push(...block), cut);
  chain.input.end();
  const counts = chain.counts();
  return { intact, counts: counts[0]!.counts as Record<string, number>, text: JSON.stringify([counts, intact]) };
}

const sizes = fc.constantFrom(384, 879, 1194, 2001, 4026, 7274);
const setting = fc.record({
  adaptation: fc.constantFrom(...ADAPTATIONS),
  record: fc.constantFrom('fixed', 'variable'),
  isi: fc.constantFrom(undefined, 0, 7, 255),
  frame: sizes,
  count: fc.integer({ min: 1, max: 60 }),
  stops: fc.array(fc.nat(59), { maxLength: 3 }),
  seed: fc.nat(1e6),
});
type Setting = { adaptation: ModeAdaptationType; record: string; isi?: number | undefined; frame: number };

/** GSE packets of the normal mode do not cross baseband frames: these must have room for one. */
const fits = ({ name }: Carriage, frame: number): boolean => name !== 'GSE' || frame > 1100;
const layersOf = ({ options, inner }: Carriage, { adaptation, record, isi, frame }: Setting): LayerChoice[] => [
  { name: 'dvb-s2', options: { ...options, adaptation, record, isi, frame } },
  ...inner,
];

const cases = CARRIAGES.map((carriage) => [carriage.name, carriage] as const);

describe.each(cases)('%s', (_, carriage) => {
  test('what is sent is received, byte for byte, however the recording is cut into blocks', () => {
    fc.assert(
      fc.property(setting, (s) => {
        fc.pre(fits(carriage, s.frame));
        const frames = makeFrames(layout, s.count, s.seed);
        const layers = layersOf(carriage, s);
        const { records } = send(layers, frames, s.stops);
        const heard = cuts(s.seed).map((cut) => receive(layers, layout, Buffer.concat(records), cut));
        expect(heard[0]!.intact).toEqual(frames.map(text));
        for (const other of heard) expect(other.text).toBe(heard[0]!.text);
        const { counts } = heard[0]!;
        expect(counts).toMatchObject({ frames: records.length, headersDamaged: 0, cut: 0, otherStreams: 0 });
        // One record of a kind that has no sync byte cannot be told from garbage before it.
        if (records.length > 1 || s.adaptation !== 'L.4') {
          expect(counts['garbageBytes']).toBe(0);
          for (const type of ADAPTATIONS) {
            const times = type === s.adaptation && type !== 'L.1' ? records.length : undefined;
            expect(counts[`mode adaptation ${type}`]).toBe(times);
          }
        }
      }),
      { seed: 1, numRuns: 4 * RUNS },
    );
  });

  test('every header says what is carried, and of which input stream', () => {
    for (const isi of [undefined, 0, 201]) {
      const s = { adaptation: 'L.3' as const, record: 'fixed', isi, frame: 4026 };
      const { records } = send(layersOf(carriage, s), makeFrames(layout, 20, 1));
      let position = 0;
      const starts: number[] = [];
      records.forEach((record, n) => {
        const header = readBasebandHeader(record.subarray(4))!;
        const { matype1, upl, sync } = carriage;
        const single = isi === undefined ? 0x20 : 0;
        expect(header).toMatchObject({ matype1: (matype1 & ~0x20) | single, matype2: isi ?? 0, upl, sync });
        expect(readModeAdaptation(record, 0, 4)).toMatchObject({ modcod: 4, short: false, frameNumber: n });
        if (header.syncd !== 65535) starts.push(position + header.syncd / 8);
        position += header.dfl / 8;
      });
      // Where user packets of one length start is arithmetic.
      if (carriage.upl > 0) for (const start of starts) expect((start * 8) % carriage.upl).toBe(0);
      if (carriage.name === 'GSE')
        expect(new Set(records.map((r) => readBasebandHeader(r.subarray(4))!.syncd))).toEqual(new Set([0]));
    }
  });

  const hits = [
    'lost',
    'noise in the data',
    'header damaged',
    'cut short',
    'bytes missing inside',
    'garbage before',
  ] as const;
  test.each(ADAPTATIONS.flatMap((adaptation) => [1, 2, 10].map((percent) => [adaptation, percent] as const)))(
    'behind %s headers, %i percent of the baseband frames hit: no mission frame of the others is lost, none is invented',
    (adaptation, percent) => {
      let hitFrames = 0;
      let lostFrames = 0;
      fc.assert(
        fc.property(
          fc.constantFrom(...hits),
          fc.constantFrom('fixed', 'variable'),
          sizes,
          fc.nat(1e6),
          (hit, record, frame, seed) => {
            fc.pre(fits(carriage, frame));
            const random = seeded(seed);
            const layers = layersOf(carriage, { adaptation, record, frame });
            const { records, sent } = send(layers, makeFrames(layout, 120, seed));
            const ahead = AHEAD[adaptation];
            const isHit = records.map((_, n) => n > 0 && random() < percent / 100);
            const received = records.map((original, n) => {
              if (!isHit[n]) return original;
              const bytes = Buffer.from(original);
              const place = ahead + 10 + Math.floor(random() * (bytes.length - ahead - 10));
              if (hit === 'lost') return Buffer.alloc(0);
              if (hit === 'cut short') return bytes.subarray(0, place);
              if (hit === 'bytes missing inside')
                return Buffer.concat([
                  bytes.subarray(0, place),
                  bytes.subarray(place + 1 + Math.floor(random() * 300)),
                ]);
              if (hit === 'garbage before')
                return Buffer.concat([noise(1 + Math.floor(random() * 900), seed + n), bytes]);
              if (hit === 'header damaged')
                bytes[Math.floor(random() * (ahead + 10))]! ^= 1 + Math.floor(random() * 255);
              else bytes.set(noise(bytes.length - place, seed + n), place);
              return bytes;
            });
            const { intact } = receive(layers, layout, Buffer.concat(received), whole);
            const came = new Set(intact);
            const lost = sent.filter(
              ({ frame, first, last }) => !isHit.slice(first, last + 1).some(Boolean) && !came.has(frame),
            );
            expect(lost.map(({ first, last }) => [first, last])).toEqual([]);
            hitFrames += isHit.filter(Boolean).length;
            lostFrames += sent.length - came.size;
            const all = new Set(sent.map((s) => s.frame));
            expect(intact.every((one) => all.has(one))).toBe(true);
          },
        ),
        { seed: percent, numRuns: RUNS },
      );
      // The test is about something.
      expect(Math.min(hitFrames, lostFrames)).toBeGreaterThan(0);
    },
  );
});

describe('mode adaptation headers', () => {
  const bodies = Array.from({ length: 30 }, (_, seed) => makeFrame({ data: 300 + seed, record: 384, seed }));
  const plain = decode(Buffer.concat(bodies), whole);
  const data = plain.fields.map(({ bytes }) => text(bytes));

  test.each(['L.2', 'L.3', 'L.4'] as const)(
    '%s in front of a frame: its bytes may be damaged and nothing is lost',
    (type) => {
      const random = seeded(AHEAD[type]);
      const records = bodies.map((body, seed) => {
        const record = Buffer.concat([makeFrame({ data: 1, seed, adaptation: type }).subarray(0, AHEAD[type]), body]);
        if (random() < 0.5) record[Math.floor(random() * AHEAD[type])] = Math.floor(random() * 256);
        return record;
      });
      const { fields, counts } = decode(Buffer.concat(records), whole);
      expect(fields.map(({ bytes }) => text(bytes))).toEqual(data);
      expect(fields.some(({ afterGap }) => afterGap)).toBe(false);
      expect(counts).toEqual({ ...plain.counts, [`mode adaptation ${type}`]: 30 });
    },
  );

  test.each(ADAPTATIONS)('%s: the published vectors, one frame each, are taken as stated', (type) => {
    const { vectors } = JSON.parse(readFileSync(new URL('../vectors/modeadapt.json', import.meta.url), 'utf8')) as {
      vectors: { hex: string; expect: { type: string; headerBytes: number } }[];
    };
    for (const { hex, expect: stated } of vectors.filter((vector) => vector.expect.type === type)) {
      const bytes = Buffer.from(hex, 'hex');
      for (const times of [1, 2, 9]) {
        const { fields, counts } = decode(Buffer.concat(Array(times).fill(bytes)), whole);
        expect(fields.map((field) => text(field.bytes))).toEqual(
          Array(times).fill(text(bytes.subarray(stated.headerBytes + 10))),
        );
        if (type !== 'L.1' && (times > 1 || type !== 'L.4'))
          expect(counts).toMatchObject({ garbageBytes: 0, [`mode adaptation ${type}`]: times });
      }
    }
  });

  test('frames of changing size (VCM) behind them, fixed and variable', () => {
    for (const adaptation of ADAPTATIONS) {
      const shapes = [4026, 2001, 384, 7274, 4026, 654, 384, 2001].map((record, seed) => ({
        data: 300,
        record,
        seed,
        adaptation,
      }));
      for (const frames of [shapes, shapes.map(({ record, ...shape }) => ({ ...shape, data: record - 17 }))]) {
        const { fields, counts } = decode(Buffer.concat(frames.map(makeFrame)), whole);
        expect(fields.length).toBe(8);
        expect(counts).toMatchObject({ frames: 8, garbageBytes: 0, cut: 0 });
      }
    }
  });

  test('padding of as many zeros as such a header has bytes is still padding', () => {
    for (const padding of [2, 3, 4]) {
      const { counts } = decode(
        Buffer.concat(Array.from({ length: 9 }, (_, seed) => makeFrame({ data: 4016 - padding, record: 4026, seed }))),
        whole,
      );
      expect(counts).toEqual({
        ...plain.counts,
        frames: 9,
        'generic continuous': 9,
        'record of 4026 bytes': 9,
        'record of 384 bytes': undefined,
      });
    }
  });

  test('an unknown number of bytes in front costs gaps, not frames', () => {
    const variable = bodies.map((_, seed) => makeFrame({ data: 300 + seed, seed }));
    const { fields, counts } = decode(Buffer.concat(variable.flatMap((body, n) => [noise(7, n), body])), whole);
    expect(fields.map(({ bytes }) => text(bytes))).toEqual(data);
    expect(counts['garbageBytes']).toBe(30 * 7);
  });
});

describe('a CRC-32 at the end of data fields (SYNC = 1)', () => {
  const crc32 = makeCrc(CRC_CATALOGUE['CRC-32/MPEG-2']);
  const { vectors } = JSON.parse(readFileSync(new URL('../vectors/gse.json', import.meta.url), 'utf8')) as {
    vectors: { id: string; hex: string[]; verified: string; expect: { crc32: string } }[];
  };
  const vector = vectors.find(({ id }) => id === 'gc-with-EIP-crc32')!;
  const frame = Buffer.from(vector.hex[0]!, 'hex');

  test(`is found right where it is right, and cut off (${vector.verified})`, () => {
    const { fields, counts } = decode(frame, whole);
    expect(counts).toMatchObject({ crc32Right: 1, crc32Wrong: 0 });
    expect(fields.map(({ bytes }) => text(bytes))).toEqual([text(frame.subarray(10, -4))]);
    expect(crc32(frame, 10, frame.length - 4).toString(16)).toBe(vector.expect.crc32);
  });

  test('is written as in the vector', () => {
    const [made] = encodeUnits(dvbS2, { crc32: true, record: 'variable' }, [frame.subarray(10, -4)]);
    expect(made!.toString('hex')).toBe(vector.hex[0]);
  });

  test('is counted where it is wrong, and what it covers is handed on all the same', () => {
    const wrong = Buffer.from(frame);
    wrong[30]! ^= 1;
    const { fields, counts } = decode(Buffer.concat([frame, wrong, frame]), whole);
    expect(counts).toMatchObject({ frames: 3, crc32Right: 2, crc32Wrong: 1 });
    expect(text(fields[1]!.bytes)).toBe(text(wrong.subarray(10, -4)));
  });

  test('is not looked for elsewhere, nor handed on where its frame is cut or its header damaged', () => {
    expect(decode(makeFrame({ data: 374, seed: 1 }), whole).counts).not.toHaveProperty('crc32Right');
    const records = encodeUnits(
      dvbS2,
      { crc32: true, frame: 384 },
      Array.from({ length: 9 }, (_, n) => noise(370, n)),
    );
    records[4]![5]! ^= 1;
    const { fields, counts } = decode(Buffer.concat(records).subarray(0, -2), whole);
    expect(fields.map(({ bytes }) => bytes.length)).toEqual(Array(9).fill(370));
    expect(counts).toMatchObject({ crc32Right: 7, crc32Wrong: 0, headersDamaged: 1, cut: 1 });
  });

  test('needs a continuous stream and room in the frame', () => {
    expect(() => encodeUnits(dvbS2, { crc32: true, stream: 'transport' }, [])).toThrow(UsageError);
    expect(() => encodeUnits(dvbS2, { crc32: true, frame: 14 }, [])).toThrow(UsageError);
    expect(encodeUnits(dvbS2, { crc32: true, frame: 15 }, [Buffer.of(7)])[0]!.length).toBe(15);
  });
});

describe('several input streams in one carrier', () => {
  test('the one asked for comes out, whatever the others carry, and each is counted', () => {
    const carried = [
      { isi: 5, carriage: CARRIAGES[0]!, name: 'generic continuous' },
      { isi: 9, carriage: CARRIAGES[5]!, name: 'transport stream' },
      { isi: 200, carriage: CARRIAGES[3]!, name: 'GSE-HEM' },
      { isi: 0, carriage: CARRIAGES[4]!, name: 'generic packetised' },
    ];
    for (const adaptation of ADAPTATIONS) {
      const streams = carried.map(({ isi, carriage, name }, n) => {
        const layers = layersOf(carriage, { adaptation, record: 'fixed', isi, frame: 1194 });
        const frames = makeFrames(layout, 30, n);
        return { layers, frames, name: `${name}, ISI ${isi}`, ...send(layers, frames) };
      });
      // In turn, as a modulator sends them.
      const longest = Math.max(...streams.map(({ records }) => records.length));
      const mixed = Array.from({ length: longest }, (_, turn) =>
        streams.flatMap(({ records }) => records.slice(turn, turn + 1)),
      ).flat();
      for (const { layers, frames } of streams) {
        const { intact, counts } = receive(layers, layout, Buffer.concat(mixed), whole);
        expect(intact).toEqual(frames.map(text));
        for (const { name, records } of streams) expect(counts[name]).toBe(records.length);
        expect(counts['garbageBytes']).toBe(0);
      }
      // Without a choice: the first one.
      const [dvb, ...inner] = streams[0]!.layers;
      const unchosen = [{ ...dvb!, options: { ...dvb!.options, isi: undefined } }, ...inner];
      expect(receive(unchosen, layout, Buffer.concat(mixed), whole).intact).toEqual(streams[0]!.frames.map(text));
    }
  });

  test('names say type and ISI', () => {
    expect([0x1ff & 5, (3 << 9) | 9, (2 << 9) | 256].map(streamName)).toEqual([
      'generic packetised, ISI 5',
      'transport stream, ISI 9',
      'GSE-HEM',
    ]);
  });
});

describe('user packets', () => {
  const packets = Array.from({ length: 40 }, (_, n) => Buffer.concat([Buffer.of(0x5a), noise(63, n)]));
  const crc8 = makeCrc(CRC_CATALOGUE['CRC-8/DVB-S2']);

  test('have the CRC-8 of the one before in place of their sync byte, on the way', () => {
    const records = encodeUnits(
      dvbS2,
      { stream: 'packetised', frame: 384, record: 'variable' },
      packets,
      (encoder, unit) => encoder.push(unit, true),
    );
    const sent = Buffer.concat(records.map((record) => record.subarray(10)));
    packets.forEach((packet, n) => {
      const before = packets[n - 1];
      expect(sent[n * 64]).toBe(before ? crc8(before, 1, 64) : 0);
      expect(sent.subarray(n * 64 + 1, n * 64 + 64).equals(packet.subarray(1))).toBe(true);
    });
    const { fields } = decode(Buffer.concat(records), whole);
    expect(Buffer.concat(fields.map(({ bytes }) => bytes)).equals(Buffer.concat(packets))).toBe(true);
  });

  test('without a sync byte (SYNC = 0) are handed on as they came', () => {
    const shape = { data: 256, seed: 3, matype1: 0x30, upl: 512, unit: 0 };
    expect(text(decode(makeFrame(shape), whole).fields[0]!.bytes)).toBe(text(makeFrame(shape).subarray(10)));
  });

  test.each([
    ['packetised', [packets[0]!, packets[1]!.subarray(1)], 'user packets have 64 bytes, got 63'],
    ['packetised', [packets[0]!, noise(64, 5)], 'user packets begin with byte 90, got'],
    ['transport', [noise(100, 1)], 'user packets have 188 bytes, got 100'],
    ['packetised', [noise(9000, 1)], 'user packets have 8191 bytes, got 9000'],
  ])('%s: units that cannot be user packets are refused, case %#', (kind, units, message) => {
    const push = (): unknown =>
      encodeUnits(dvbS2, { stream: kind }, units, (encoder, unit) => encoder.push(unit, true));
    expect(push).toThrow(UsageError);
    expect(push).toThrow(message);
  });
});

describe('the baseband scrambler', () => {
  test('begins as the fact sheet says (EN 302 307-1, 5.2.2; computed there by another program)', () => {
    expect(Buffer.from(SCRAMBLER_SEQUENCE.subarray(0, 8)).toString('hex')).toBe('03f6083430b8a393');
  });

  test('has the period of its polynomial, 2^15 - 1 bits', () => {
    const bit = (n: number): number => (SCRAMBLER_SEQUENCE[n >> 3]! >> (7 - (n & 7))) & 1;
    const length = 8 * SCRAMBLER_SEQUENCE.length;
    for (let n = 15; n < length; n++) expect(bit(n) === (bit(n - 14) ^ bit(n - 15))).toBe(true);
    for (let n = 0; n + 32767 < length; n++) expect(bit(n) === bit(n + 32767)).toBe(true);
  });

  test.each(ADAPTATIONS)('is undone where a recording still has it, behind %s headers, losses or not', (adaptation) => {
    for (const record of ['fixed', 'variable']) {
      for (const [seed, percent] of [0, 2, 10].entries()) {
        const random = seeded(seed);
        const layers = layersOf(CARRIAGES[0]!, { adaptation, record, frame: 2001 });
        const scrambled = [{ ...layers[0]!, options: { ...layers[0]!.options, scrambled: true } }, ...layers.slice(1)];
        const { records, sent } = send(scrambled, makeFrames(layout, 300, seed));
        const isHit = records.map((_, n) => n > 3 && random() < percent / 100);
        const received = records.map((bytes, n) =>
          isHit[n] ? bytes.subarray(0, Math.floor(random() * bytes.length)) : bytes,
        );
        const recording = Buffer.concat([noise(30000, 7), ...received]);
        // Nothing tells the decoder.
        const { intact, counts } = receive(layers, layout, recording, cuts(seed)[2]!);
        const came = new Set(intact);
        expect(
          sent.filter(({ frame, first, last }) => !came.has(frame) && !isHit.slice(first, last + 1).some(Boolean)),
        ).toEqual([]);
        expect(counts['scrambled']).toBe(counts['frames']);
        expect(counts['frames']).toBeGreaterThan(100);
      }
    }
  });

  test('is no accident: a frame of zeros, noise and plain frames are not taken for scrambled ones', () => {
    const zeros = Buffer.alloc(4026);
    addScrambler(zeros, 0, zeros.length);
    const plain = Buffer.concat(Array.from({ length: 9 }, (_, seed) => makeFrame({ data: 4016, seed })));
    for (const bytes of [Buffer.concat(Array(20).fill(zeros)), noise(1 << 20, 5), plain]) {
      expect(decode(bytes, whole).counts).not.toHaveProperty('scrambled');
    }
  });
});
