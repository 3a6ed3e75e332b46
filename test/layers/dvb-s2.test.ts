// Finding baseband frames (EN 302 307-1, 5.1.6) in recordings: what is sent is known, so what must come out is known as well.
import { describe, expect, test } from 'vitest';
import { crc32 } from '../../src/bytes/crc.js';
import { KBCH_BYTES } from '../../src/layers/baseband-header.js';
import { decode, type Emitted, type FrameShape, makeFrame } from './baseband-material.js';
import { cuts, GARBAGE, garbage, noise, seeded } from './seeded.js';

const whole = cuts(0)[0]!;

/** Decodes whole, byte by byte and cut at random; the three must agree in everything. */
function decodeAllWays(recording: Uint8Array, options: object = {}, base = 0): Emitted {
  const [first, ...others] = cuts(recording.length).map((cut) => decode(recording, cut, options, base));
  const readable = ({ fields, ...rest }: Emitted): object => ({
    ...rest,
    fields: fields.map(({ bytes, ...field }) => ({ ...field, data: brief(bytes) })),
  });
  for (const other of others) expect(readable(other)).toEqual(readable(first!));
  expect(first!.ended).toBe(1);
  return first!;
}

type Piece = { shape: FrameShape; bytes: Buffer } | { bytes: Buffer };
const frame = (shape: FrameShape): Piece & { shape: FrameShape } => ({ shape, bytes: makeFrame(shape) });
const junk = (bytes: Buffer): Piece => ({ bytes });

/** Joins pieces and says which data fields the recording holds whole. */
function record(pieces: readonly Piece[]): { bytes: Buffer; sent: Emitted['fields'] } {
  let at = 0;
  const sent: Emitted['fields'] = [];
  for (const piece of pieces) {
    if ('shape' in piece) {
      const { data, unit = -1 } = piece.shape;
      const field = piece.bytes.subarray(10, 10 + data);
      if (field.length === data)
        sent.push({ at: at + 10, bytes: field, unit: unit < data ? unit : -1, afterGap: false });
    }
    at += piece.bytes.length;
  }
  return { bytes: Buffer.concat(pieces.map(({ bytes }) => bytes)), sent };
}

/** Short enough to read in a failed test. */
const brief = (bytes: Buffer): string => `${bytes.length} bytes, crc32 ${crc32(bytes, 0, bytes.length).toString(16)}`;
type Plain = { at: number; data: string; unit: number };
const plain = (fields: Emitted['fields']): Plain[] =>
  fields.map(({ at, bytes, unit }) => ({ at, data: brief(bytes), unit }));
const damage = (bytes: Buffer, at: number, flip = 0x55): Buffer => {
  const damaged = Buffer.from(bytes);
  damaged[at]! ^= flip;
  return damaged;
};
const names = (counts: object): string[] => Object.keys(counts);

describe('records of every kind', () => {
  test.each(KBCH_BYTES)('fixed records of %i bytes, data fields of changing length, padded', (size) => {
    const random = seeded(size);
    const frames = Array.from({ length: 9 }, (_, seed) =>
      frame({ data: 1 + Math.floor(random() * (size - 10)), record: size, seed, unit: Math.floor(random() * 900) }),
    );
    const { bytes, sent } = record(frames);
    const { fields, counts } = decodeAllWays(bytes);
    expect(plain(fields)).toEqual(plain(sent));
    expect(fields.some(({ afterGap }) => afterGap)).toBe(false);
    expect(counts).toEqual({
      frames: 9,
      headersDamaged: 0,
      cut: 0,
      otherStreams: 0,
      garbageBytes: 0,
      [`record of ${size} bytes`]: 9,
      'generic continuous': 9,
    });
  });

  test.each(KBCH_BYTES)('full data fields of Kbch = %i bytes', (size) => {
    const { bytes, sent } = record(Array.from({ length: 5 }, (_, seed) => frame({ data: size - 10, seed, unit: 0 })));
    const { fields, counts } = decodeAllWays(bytes, {}, 777);
    expect(plain(fields)).toEqual(plain(sent).map((field) => ({ ...field, at: field.at + 777 })));
    expect(counts).toMatchObject({ frames: 5, garbageBytes: 0, cut: 0, [`record of ${size} bytes`]: 5 });
  });

  test('variable records: each ends with its data field', () => {
    const random = seeded(5);
    // Sizes that are those of fixed frames too, alone or two together, must not be taken for a grid.
    const lengths = [374, 190, 174, 374, 364, 10, 374, 1991, ...Array.from({ length: 40 }, () => random() * 7264)];
    const { bytes, sent } = record(lengths.map((length, seed) => frame({ data: 1 + Math.floor(length), seed })));
    expect(plain(decodeAllWays(bytes).fields)).toEqual(plain(sent));
    const twice = record([373, 189, 173, 373, 189, 173, 373].map((length, seed) => frame({ data: length + 1, seed })));
    const { fields, counts } = decodeAllWays(twice.bytes);
    expect(plain(fields)).toEqual(plain(twice.sent));
    expect(counts).toMatchObject({ cut: 0, garbageBytes: 0 });
  });

  test('frames of changing size (VCM), padded', () => {
    const sizes = [4026, 2001, 384, 7274, 4026, 4026, 654, 384, 384, 2001];
    const { bytes, sent } = record(sizes.map((size, seed) => frame({ data: 300, record: size, seed })));
    const { fields, counts } = decodeAllWays(bytes);
    expect(plain(fields)).toEqual(plain(sent));
    expect(counts).toMatchObject({ frames: 10, garbageBytes: 0, 'record of 4026 bytes': 3, 'record of 384 bytes': 3 });
  });

  test('empty data fields carry nothing and hide nothing', () => {
    const shapes = [374, 0, 374, 0, 0, 374].map((data, seed) => frame({ data, record: 384, seed }));
    const { bytes, sent } = record(shapes);
    const { fields, counts } = decodeAllWays(bytes);
    expect(plain(fields)).toEqual(plain(sent.filter((field) => field.bytes.length > 0)));
    expect(counts).toMatchObject({ frames: 6, garbageBytes: 0, headersDamaged: 0 });
    // Nor do they tell how much a frame with a damaged header carries.
    const hit = shapes.map((piece, n) => (n === 2 ? junk(damage(piece.bytes, 5)) : piece));
    expect(plain(decodeAllWays(record(hit).bytes).fields)).toEqual(
      plain(sent.filter(({ bytes: field }) => field.length > 0)),
    );
  });

  test.each([
    ['transport stream', 0xf0, 1504],
    ['generic packetised', 0x30, 512],
    ['GSE-HEM', 0xb0, 4711],
  ])('a %s is found as well, named and handed on', (name, matype1, upl) => {
    const frames = Array.from({ length: 4 }, (_, seed) => frame({ data: 1500, record: 2001, seed, matype1, upl }));
    const { bytes, sent } = record(frames);
    const { fields, counts } = decodeAllWays(bytes);
    expect(plain(fields)).toEqual(plain(sent));
    expect(names(counts)).toContain(name);
  });
});

describe('where a recording begins and ends', () => {
  const frames = Array.from({ length: 6 }, (_, seed) => frame({ data: 4016, seed, unit: 3 }));
  const all = record(frames);

  test.each([1, 9, 10, 11, 500, 4025, 4026, 4030])(
    'beginning %i bytes late costs the frame it began in, no other',
    (n) => {
      const { fields, counts } = decodeAllWays(all.bytes.subarray(n));
      const expected = plain(all.sent.filter(({ at }) => at - 10 >= n)).map((f) => ({
        ...f,
        at: (f as { at: number }).at - n,
      }));
      expect(plain(fields)).toEqual(expected);
      expect(counts['garbageBytes']).toBe((4026 - (n % 4026)) % 4026);
    },
  );

  test.each([1, 9, 10, 500, 4015, 4016, 4017])(
    'ending %i bytes early hands on the part of the last frame that is there',
    (n) => {
      const { fields, counts } = decodeAllWays(all.bytes.subarray(0, -n));
      expect(plain(fields.slice(0, 5))).toEqual(plain(all.sent.slice(0, 5)));
      const rest = 4016 - n;
      expect(fields.slice(5).map(({ bytes }) => bytes)).toEqual(rest > 0 ? [all.sent[5]!.bytes.subarray(0, rest)] : []);
      expect(counts['cut']).toBe(n <= 4016 ? 1 : 0);
    },
  );

  test.each([
    ['full', { data: 4016, seed: 1 }],
    ['padded', { data: 1000, record: 4026, seed: 1 }],
    ['ending with its data', { data: 1000, seed: 1 }],
    ['of a transport stream', { data: 4016, seed: 1, matype1: 0xf0, upl: 1504 }],
  ])('one frame only, %s', (_, shape) => {
    const { bytes, sent } = record([frame(shape)]);
    const { fields, counts } = decodeAllWays(bytes);
    expect(plain(fields)).toEqual(plain(sent));
    expect(counts).toMatchObject({ frames: 1, garbageBytes: 0, cut: 0, headersDamaged: 0 });
  });

  test('one frame only, and cut: its first part is handed on', () => {
    const { fields, counts } = decodeAllWays(all.bytes.subarray(0, 1500));
    expect(fields.map(({ at, bytes }) => ({ at, bytes }))).toEqual([{ at: 10, bytes: all.bytes.subarray(10, 1500) }]);
    expect(counts).toMatchObject({ frames: 1, cut: 1 });
  });

  test('nothing at all, or fewer bytes than a header, is no frame', () => {
    expect(decodeAllWays(Buffer.alloc(0)).fields).toEqual([]);
    expect(decodeAllWays(Buffer.alloc(9, 0x70)).counts).toMatchObject({ frames: 0, garbageBytes: 9 });
  });
});

describe('garbage', () => {
  const sizes = [1, 2, 9, 10, 11, 383, 384, 385, 4026, 8052, 20000];
  for (const kind of GARBAGE) {
    test.each(sizes)(`%i bytes of ${kind} before, between and after cost no frame`, (length) => {
      const g = (seed: number): Piece => junk(garbage(kind, length, seed));
      const f = (seed: number): Piece => frame({ data: seed % 2 ? 4016 : 2000, record: 4026, seed, unit: 7 });
      const { bytes, sent } = record([g(1), f(1), g(2), f(2), f(3), g(3), f(4), f(5), g(4)]);
      const { fields, counts } = decodeAllWays(bytes);
      // Garbage as long as whole records may be records with damaged headers: what it carries is handed on and proves nothing.
      const rest = fields.filter(({ at }) => !sent.some((s) => s.at === at));
      expect(plain(fields.filter((field) => !rest.includes(field)))).toEqual(plain(sent));
      expect(counts).toMatchObject({ frames: 5, cut: 0 });
      if (length % 4026 !== 0) {
        expect(plain(rest)).toEqual([]);
        expect(counts).toMatchObject({ headersDamaged: 0, garbageBytes: 4 * length });
      }
    });

    test(`${kind} alone, a megabyte, is no frame`, () => {
      const { fields, counts } = decode(garbage(kind, 1 << 20, 9), whole);
      expect(plain(fields)).toEqual([]);
      expect(counts).toMatchObject({ frames: 0, garbageBytes: 1 << 20 });
    });
  }

  test('what follows garbage is announced by one gap, however the recording was cut', () => {
    const frames = [1, 2].map((seed) => frame({ data: 374, seed }));
    const { bytes } = record([
      junk(noise(50, 1)),
      frames[0]!,
      junk(noise(5000, 2)),
      frames[1]!,
      frame({ data: 374, seed: 3 }),
    ]);
    expect(decodeAllWays(bytes).fields.map(({ afterGap }) => afterGap)).toEqual([true, true, false]);
  });
});

describe('damaged frames', () => {
  const frames = Array.from({ length: 12 }, (_, seed) => frame({ data: 4016, seed, unit: 5 }));
  const lose = (index: number, from: number, to: number): Piece[] =>
    frames.map((piece, n) =>
      n === index ? junk(Buffer.concat([piece.bytes.subarray(0, from), piece.bytes.subarray(to)])) : piece,
    );

  test.each([
    [0, 1],
    [5, 6],
    [9, 30],
    [10, 11],
    [11, 2000],
    [300, 301],
    [300, 4026],
    [4000, 4026],
    [4025, 4026],
    [0, 4026],
  ])('bytes [%i, %i) missing inside a frame cost no other frame', (from, to) => {
    for (const index of [1, 5, 10, 11]) {
      const { bytes, sent } = record(lose(index, from, to));
      const { fields } = decodeAllWays(bytes);
      const ats = new Set(sent.map(({ at }) => at));
      expect(plain(fields.filter(({ at }) => ats.has(at)))).toEqual(plain(sent));
      const cut = fields.find(({ at }) => at === index * 4026 + 10);
      // The part before the hole is handed on where its header is whole.
      if (from > 10 && !ats.has(index * 4026 + 10)) {
        expect(cut!.bytes.subarray(0, from - 10)).toEqual(frames[index]!.bytes.subarray(10, from));
      }
    }
  });

  const withHeaders = (indices: number[], at: number): Buffer =>
    record(frames.map((piece, n) => (indices.includes(n) ? junk(damage(piece.bytes, at)) : piece))).bytes;

  test.each(Array.from({ length: 10 }, (_, at) => at))(
    'header byte %i wrong: the grid holds and the data are handed on',
    (at) => {
      for (const indices of [[4], [4, 5], [4, 5, 6], [2, 7], [11], [10, 11]]) {
        const { fields, counts } = decodeAllWays(withHeaders(indices, at));
        const expected = plain(record(frames).sent).map((field, n) =>
          indices.includes(n) ? { ...field, unit: -1 } : field,
        );
        expect(plain(fields)).toEqual(expected);
        expect(counts).toMatchObject({ frames: 12 - indices.length, headersDamaged: indices.length, garbageBytes: 0 });
        expect(fields.some(({ afterGap }) => afterGap)).toBe(false);
      }
    },
  );

  test('a frame behind more damage than the search sees is found all the same, at the end of a recording too', () => {
    for (const damaged of [29080, 29100, 30000, 36000, 40000]) {
      const { bytes, sent } = record([
        frame({ data: 300, seed: 1 }),
        junk(Buffer.alloc(damaged)),
        frame({ data: 300, seed: 2 }),
      ]);
      // From some 36 KB on neither header is a witness for the other, and the first has nothing else to be known by.
      const expected = damaged < 40000 ? sent : sent.slice(1);
      expect(plain(decodeAllWays(bytes).fields)).toEqual(plain(expected));
    }
  });

  test('a first header that is damaged costs its frame, no other', () => {
    expect(plain(decodeAllWays(withHeaders([0], 3)).fields)).toEqual(plain(record(frames).sent.slice(1)));
  });

  test('a wrong data field length that the CRC-8 does not notice costs no other frame', () => {
    for (const data of [1, 100, 4017, 4100, 7264]) {
      const lying = frames.map((piece, n) => {
        const bytes = Buffer.from(piece.bytes);
        if (n === 4) bytes.set(makeFrame({ data, seed: 0 }).subarray(0, 10));
        return n === 4 ? junk(bytes) : piece;
      });
      const { bytes, sent } = record(lying);
      const ats = new Set(sent.map(({ at }) => at));
      expect(plain(decodeAllWays(bytes).fields.filter(({ at }) => ats.has(at)))).toEqual(plain(sent));
    }
  });

  test('a damaged header among variable records costs that record alone', () => {
    const random = seeded(3);
    for (let round = 0; round < 20; round++) {
      const pieces = Array.from({ length: 30 }, (_, seed) => frame({ data: 20 + Math.floor(random() * 700), seed }));
      const hit = [2 + Math.floor(random() * 12), 16 + Math.floor(random() * 12)];
      const { bytes, sent } = record(
        pieces.map((piece, n) => (hit.includes(n) ? junk(damage(piece.bytes, round % 10)) : piece)),
      );
      expect(plain(decodeAllWays(bytes).fields)).toEqual(plain(sent));
    }
  });
});

describe('data that look like headers', () => {
  const lookAlike = makeFrame({ data: 4016, seed: 99 }).subarray(0, 10);
  const random = seeded(17);
  /** Frames with `copies` headers of the very same kind somewhere in the data of each. */
  const disguised = (
    count: number,
    copies: number,
    shape: (n: number) => FrameShape,
  ): (Piece & { shape: FrameShape })[] =>
    Array.from({ length: count }, (_, n) => {
      const piece = frame(shape(n));
      for (let i = 0; i < copies; i++) piece.bytes.set(lookAlike, 10 + Math.floor(random() * (piece.shape.data - 10)));
      return piece;
    });
  const full = (seed: number): FrameShape => ({ data: 4016, seed });
  /** What came out of the frames that are in the recording whole, and what should have. */
  const compare = (pieces: readonly Piece[]): void => {
    const { bytes, sent } = record(pieces);
    const ats = new Set(sent.map(({ at }) => at));
    expect(plain(decodeAllWays(bytes).fields.filter(({ at }) => ats.has(at)))).toEqual(plain(sent));
  };

  test('are data, in fixed and in variable records', () => {
    for (const record of [undefined, 4026]) {
      for (let round = 0; round < 10; round++) {
        const shape = (seed: number): FrameShape => ({ data: 3000 + seed, seed, ...(record && { record }) });
        const pieces = disguised(8, 4, shape);
        compare(pieces);
        expect(decode(Buffer.concat(pieces.map(({ bytes }) => bytes)), whole).counts).toMatchObject({
          frames: 8,
          cut: 0,
        });
      }
    }
  });

  test('are data even beside damaged headers, while the grid holds', () => {
    for (const hit of [[3], [3, 4], [2, 3, 4, 5], [7], [1, 5]]) {
      for (let round = 0; round < 10; round++) {
        compare(disguised(10, 3, full).map((piece, n) => (hit.includes(n) ? junk(damage(piece.bytes, 4)) : piece)));
      }
    }
  });

  test('cost no frame but the damaged one where bytes are missing in it', () => {
    for (let round = 0; round < 20; round++) {
      const keep = 20 + Math.floor(random() * 4000);
      compare(disguised(9, 2, full).map((piece, n) => (n === 4 ? junk(piece.bytes.subarray(0, keep)) : piece)));
    }
  });

  test('in a frame whose rest a recording begins with cost no frame after it', () => {
    for (let round = 0; round < 20; round++) {
      const [first, ...rest] = disguised(6, 3, full);
      compare([junk(first!.bytes.subarray(1 + Math.floor(random() * 4000))), ...rest]);
    }
  });
});

describe('several input streams', () => {
  const mixed = Array.from({ length: 20 }, (_, seed) =>
    frame({ data: 374, seed, matype1: 0x40, isi: [5, 9, 5, 5, 200][seed % 5]! }),
  );
  const ofStream = (isi: number): Plain[] => plain(record(mixed).sent.filter((_, n) => mixed[n]!.shape.isi === isi));

  test('without a choice the first one is handed on, the others are counted', () => {
    const { fields, counts } = decodeAllWays(record(mixed).bytes);
    expect(plain(fields)).toEqual(ofStream(5));
    expect(counts).toMatchObject({
      frames: 20,
      otherStreams: 8,
      'generic continuous, ISI 5': 12,
      'generic continuous, ISI 9': 4,
      'generic continuous, ISI 200': 4,
    });
  });

  test.each([5, 9, 200])('ISI %i is chosen by option', (isi) => {
    const { fields, counts } = decodeAllWays(record(mixed).bytes, { isi });
    expect(plain(fields)).toEqual(ofStream(isi));
    expect(counts['otherStreams']).toBe(20 - ofStream(isi).length);
  });

  test('an ISI that is not there gives nothing, and everything is counted', () => {
    const { fields, counts } = decodeAllWays(record(mixed).bytes, { isi: 6 });
    expect(fields).toEqual([]);
    expect(counts).toMatchObject({ frames: 20, otherStreams: 20 });
  });

  test('a chosen ISI does not matter to a single input stream', () => {
    const { bytes, sent } = record([1, 2, 3].map((seed) => frame({ data: 374, seed })));
    expect(plain(decodeAllWays(bytes, { isi: 7 }).fields)).toEqual(plain(sent));
  });

  test('a record with a damaged header is not mixed in from another stream', () => {
    const hit = mixed.map((piece, n) => (n === 6 || n === 7 ? junk(damage(piece.bytes, 8)) : piece)); // ISI 9, ISI 5
    const { fields } = decodeAllWays(record(hit).bytes);
    expect(plain(fields)).toEqual(ofStream(5));
  });

  test('streams of different type and packet length may alternate', () => {
    const kinds = [
      { matype1: 0x40, upl: 0 },
      { matype1: 0xc0, upl: 1504 },
      { matype1: 0x00, upl: 512 },
    ];
    const pieces = Array.from({ length: 15 }, (_, seed) => frame({ data: 374, seed, isi: 1, ...kinds[seed % 3]! }));
    const { bytes, sent } = record(pieces);
    const { fields, counts } = decodeAllWays(bytes);
    expect(plain(fields)).toEqual(plain(sent.filter((_, n) => n % 3 === 0)));
    expect(counts).toMatchObject({ frames: 15, otherStreams: 10, garbageBytes: 0 });
    expect(names(counts)).toContain('transport stream, ISI 1');
  });
});
