// The mission's own frames, found in a byte stream by marker, grid and CRC.
import { describe, expect, test } from 'vitest';
import { CRC_CATALOGUE, CRC_NAMES } from '../../src/bytes/crc-catalogue.js';
import { encodeFrame } from '../../src/layers/frame.js';
import { frameReaders } from '../../src/layers/frame-readers.js';
import type { FrameLayout } from '../../src/mission/mission.js';
import { collect, layoutOf, makeFrames, offsetLayout, type Result, scan } from './frame-material.js';
import { cuts, feed, GARBAGE, garbage, noise } from './seeded.js';

/** Decodes whole, byte by byte and cut at random; the three must agree. */
function decodeStream(layout: FrameLayout, bytes: Uint8Array, base = 0): Result {
  const results = cuts(bytes.length).map((cut) => {
    const { decoder, result } = collect(layout);
    feed(bytes, (...block) => decoder.push(...block), cut, base);
    decoder.end();
    return result();
  });
  for (const other of results) expect(other).toEqual(results[0]);
  return results[0]!;
}

/** Offsets at which frames `wanted` begin when all are joined. */
const placesOf = (frames: readonly Buffer[]): number[] => {
  let at = 0;
  return frames.map((frame) => {
    at += frame.length;
    return at - frame.length;
  });
};
const atsOf = (taken: readonly { at: number }[]): number[] => taken.map(({ at }) => at);
const damage = (frame: Uint8Array, at: number): Buffer<ArrayBuffer> => {
  const damaged = Buffer.from(frame);
  damaged[at]! ^= 0x10;
  return damaged;
};

describe('frames in a row', () => {
  const layout = layoutOf();
  const frames = makeFrames(layout, 12, 1);
  const bytes = Buffer.concat(frames);

  test('all come out, byte for byte, with their offset in the recording', () => {
    const { intact, damaged, counts } = decodeStream(layout, bytes, 5000);
    expect(intact.map((frame) => frame.bytes)).toEqual(frames);
    expect(atsOf(intact)).toEqual(placesOf(frames).map((at) => at + 5000));
    expect(damaged).toEqual([]);
    expect(counts).toEqual({ intact: 12, damaged: 0, skippedBytes: 0 });
    expect(scan(layout, bytes)).toEqual(placesOf(frames));
  });

  test('are found across the borders of the data fields that carry them, with offsets that leap at each', () => {
    for (const size of [1, 3, 17, 119, 120, 121, 500]) {
      const { decoder, result } = collect(layout);
      const fields: number[] = [];
      for (let from = 0; from < bytes.length; from += size) {
        const to = Math.min(bytes.length, from + size);
        fields.push(10 + (from / size) * (size + 10));
        decoder.push(bytes, from, to, fields.at(-1)!, -1);
      }
      decoder.end();
      expect(result().counts).toEqual({ intact: 12, damaged: 0, skippedBytes: 0 });
      const expected = placesOf(frames).map((at) => fields[Math.floor(at / size)]! + (at % size));
      expect(atsOf(result().intact)).toEqual(expected);
    }
  });

  test('the readers read what the encoder wrote', () => {
    const readers = frameReaders(layout);
    frames.forEach((frame, n) => {
      expect(readers.counter(frame, 0)).toBe(n);
      expect(readers.file(frame, 0)).toBe(7);
      expect(readers.key(frame, 0)).toBe(n);
      expect(readers.segments(frame, 0)).toBe(12);
      expect(readers.payloadBytes(frame, 0)).toBe(n === 11 ? 34 : 100);
    });
  });

  test('the encoder refuses a payload that does not fit, and values too large for their field', () => {
    expect(() => encodeFrame(layout, {}, new Uint8Array(101))).toThrow(
      new RangeError('a payload of at most 100 bytes fits the frame, got 101'),
    );
    expect(() => encodeFrame(layout, { file: 65536 }, new Uint8Array(1))).toThrow(RangeError);
  });

  test('named by byte offset without a length of their own, the last one is filled up behind the end of the file', () => {
    const { length: _, ...fields } = offsetLayout().fields;
    const byOffset: FrameLayout = { ...offsetLayout(), fields };
    const frame = (offset: number) =>
      Buffer.from(encodeFrame(byOffset, { counter: 1, file: 7, offset, bytes: 250 }, noise(100, offset)));
    const { intact } = decodeStream(byOffset, Buffer.concat([frame(0), frame(100), frame(200), frame(250)]));
    expect(intact.map(({ bytes }) => bytes)).toEqual([frame(0), frame(100), frame(200)]);
  });
});

describe('checksums', () => {
  const anyCrc = [
    ...CRC_NAMES.map((name) => CRC_CATALOGUE[name]),
    { name: "of the mission's own", width: 16, poly: 0x8bb7, init: 0x1234, reflected: false, xorout: 0x00ff },
    { name: "of the mission's own, reflected", width: 24, poly: 0x5d6dcb, init: 0xfedcba, reflected: true, xorout: 0 },
  ];
  for (const endian of ['big', 'little'] as const) {
    test.each(anyCrc)(`$name, ${endian}-endian, tells intact from damaged`, (crc) => {
      const layout = layoutOf({ crc, endian });
      const frames = makeFrames(layout, 6, 2);
      const hit = frames.map((frame, n) => (n === 2 || n === 4 ? damage(frame, 40 + n) : frame));
      const { intact, counts } = decodeStream(layout, Buffer.concat(hit));
      expect(intact.map(({ bytes }) => bytes)).toEqual(frames.filter((_, n) => n !== 2 && n !== 4));
      expect(counts).toEqual({ intact: 4, damaged: 2, skippedBytes: 0 });
    });
  }

  test('the CRC stands in the frame in the order asked for (check value of the usual catalogue: 29B1)', () => {
    const crc = CRC_CATALOGUE['CRC-16/IBM-3740'];
    for (const [endian, hex] of [
      ['big', '29b1'],
      ['little', 'b129'],
    ] as const) {
      const base = layoutOf({ payload: 9, crc, endian });
      const layout: FrameLayout = { ...base, crc: { ...base.crc, covers: [18, 27] } };
      const frame = Buffer.from(encodeFrame(layout, {}, Buffer.from('123456789')));
      expect(frame.subarray(27).toString('hex')).toBe(hex);
    }
  });
});

describe('what is damaged, and what is not a frame', () => {
  const layout = layoutOf();
  const frames = makeFrames(layout, 8, 3);
  const { length } = layout;
  const withFrame = (n: number, bytes: Buffer): Buffer => Buffer.concat(frames.with(n, bytes));
  const others = (n: number): Buffer[] => frames.filter((_, i) => i !== n);

  test('a damaged frame is handed on whole, as evidence, with its place', () => {
    for (const byte of [0, 3, 4, 18, 60, 118, 119]) {
      const bad = damage(frames[3]!, byte);
      const { intact, damaged, counts } = decodeStream(layout, withFrame(3, bad));
      expect(intact.map(({ bytes }) => bytes)).toEqual(others(3));
      expect(damaged).toEqual([{ at: 3 * length, bytes: bad }]);
      expect(counts).toEqual({ intact: 7, damaged: 1, skippedBytes: 0 });
    }
  });

  const encode = (values: object, used = 100): Buffer =>
    Buffer.from(
      encodeFrame(layout, { counter: 3, file: 7, segment: 3, segments: 8, length: used, ...values }, noise(100, 4)),
    );
  test.each([
    ['a length larger than the payload', encode({ length: 101 })],
    ['a segment number that is the number of segments', encode({ segment: 8 })],
    ['a segment number far beyond', encode({ segment: 1 << 20 })],
    ['a short segment that is not the last', encode({}, 99)],
  ])('%s is damage, though the CRC is right', (_, bad) => {
    expect(scan(layout, bad)).toEqual([0]);
    const { intact, damaged } = decodeStream(layout, withFrame(3, bad));
    expect(intact.map(({ bytes }) => bytes)).toEqual(others(3));
    expect(damaged).toEqual([{ at: 3 * length, bytes: bad }]);
  });

  test('frames that do not tell the number of segments may have any number', () => {
    const open = encode({ segment: 12345, segments: 0 });
    expect(decodeStream(layout, withFrame(3, open)).counts).toEqual({ intact: 8, damaged: 0, skippedBytes: 0 });
  });

  test("frames by offset are checked against the file's size", () => {
    const byOffset = offsetLayout();
    const make = (offset: number, used: number, bytes: number): Buffer =>
      Buffer.from(encodeFrame(byOffset, { counter: 1, file: 2, offset, length: used, bytes }, noise(used, 5)));
    const readers = frameReaders(byOffset);
    expect(readers.key(make(777, 5, 0), 0)).toBe(777);
    for (const [offset, used, bytes, right] of [
      [0, 100, 1000, true],
      [950, 50, 1000, true],
      [37, 12, 1000, true],
      [951, 50, 1000, false],
      [1000, 1, 1000, false],
      [70000, 100, 0, true],
    ] as const) {
      const { counts } = decodeStream(byOffset, make(offset, used, bytes));
      expect(counts).toEqual({ intact: right ? 1 : 0, damaged: right ? 0 : 1, skippedBytes: 0 });
    }
  });

  test('markers in the payload are payload, of intact frames and of damaged ones', () => {
    const full = makeFrames(layout, 8, 3).map((frame, n) => {
      const payload = Buffer.alloc(100, Buffer.from('1acffc1d', 'hex'));
      const last = n === 7;
      return Buffer.from(
        encodeFrame(
          layout,
          { counter: n, file: 7, segment: n, segments: 8, length: last ? 34 : 100 },
          last ? frame.subarray(18, 52) : payload,
        ),
      );
    });
    expect(decodeStream(layout, Buffer.concat(full)).counts).toEqual({ intact: 8, damaged: 0, skippedBytes: 0 });
    for (let n = 0; n < 8; n++) {
      const bad = damage(full[n]!, 6);
      const { intact, damaged } = decodeStream(layout, Buffer.concat(full.with(n, bad)));
      expect(atsOf(intact)).toEqual(placesOf(full).filter((_, i) => i !== n));
      expect(damaged).toEqual([{ at: n * length, bytes: bad }]);
    }
  });

  test.each(GARBAGE)('%s between frames is skipped, and is no damage', (kind) => {
    for (const size of [1, 3, 119, 120, 121, 3000]) {
      const junk = garbage(kind, size, 6);
      const bytes = Buffer.concat([junk, ...frames.slice(0, 4), junk, ...frames.slice(4), junk]);
      const { intact, counts } = decodeStream(layout, bytes);
      expect(intact.map((frame) => frame.bytes)).toEqual(frames);
      // Just as long as a frame, between two that are in step: that is taken for one with its marker gone.
      const damaged = size === length ? 2 : 0;
      expect(counts).toEqual({ intact: 8, damaged, skippedBytes: (3 - damaged) * size });
    }
  });

  test('false markers in garbage cost no frame, with markers of one byte to five', () => {
    for (const marker of ['1a', '1acf', '1acffc', '1acffc1d', '1acffc1d00']) {
      const own = layoutOf({ marker });
      const sent = makeFrames(own, 6, 7);
      for (const gap of [5, 60, 300]) {
        const junk = noise(gap, 8);
        for (let at = 0; at + marker.length / 2 <= gap; at += 23) junk.set(own.marker, at);
        const { intact } = decodeStream(own, Buffer.concat([junk, sent[0]!, sent[1]!, junk, ...sent.slice(2), junk]));
        expect(intact.map(({ bytes }) => bytes)).toEqual(sent);
      }
    }
  });

  test('bytes missing in a frame make it one damaged frame, cut where the next one begins', () => {
    const cut = Buffer.concat([frames[3]!.subarray(0, 50), frames[3]!.subarray(70)]);
    const { intact, damaged, counts } = decodeStream(layout, withFrame(3, cut));
    expect(intact.map(({ bytes }) => bytes)).toEqual(others(3));
    expect(damaged).toEqual([{ at: 3 * length, bytes: cut }]);
    expect(counts).toEqual({ intact: 7, damaged: 1, skippedBytes: 0 });
  });

  test('bytes too many in a frame make it one damaged frame, and the rest is skipped', () => {
    const longer = Buffer.concat([frames[3]!.subarray(0, 50), noise(20, 9), frames[3]!.subarray(50)]);
    const { intact, damaged, counts } = decodeStream(layout, withFrame(3, longer));
    expect(intact.map(({ bytes }) => bytes)).toEqual(others(3));
    expect(damaged).toEqual([{ at: 3 * length, bytes: longer.subarray(0, length) }]);
    expect(counts).toEqual({ intact: 7, damaged: 1, skippedBytes: 20 });
  });

  test('a last frame that is cut is damaged; less than a marker is nothing', () => {
    for (const kept of [1, 3, 4, 5, 119]) {
      const { counts } = decodeStream(layout, Buffer.concat([...frames.slice(0, 3), frames[3]!.subarray(0, kept)]));
      expect(counts).toEqual({ intact: 3, damaged: kept >= 4 ? 1 : 0, skippedBytes: kept >= 4 ? 0 : kept });
    }
  });

  test('nothing at all is nothing', () => {
    expect(decodeStream(layout, Buffer.alloc(0)).counts).toEqual({ intact: 0, damaged: 0, skippedBytes: 0 });
  });
});

describe('frames without a marker', () => {
  const layout = layoutOf({ marker: '' });
  const frames = makeFrames(layout, 20, 10);
  const { length } = layout;
  const bytes = Buffer.concat(frames);

  /** Pushes the stream in data fields, each with a hint at the first frame that starts in it; `lost` fields are left out. */
  const push = (stream: Buffer, size: number, lost: number[] = [], ends = false): Result => {
    const { decoder, result } = collect(layout);
    for (let from = 0; from < stream.length; from += size) {
      if (lost.includes(from / size)) continue;
      const hint = Math.ceil(from / length) * length;
      const to = Math.min(stream.length, from + size);
      decoder.push(stream, from, to, from, hint < to ? hint : -1);
      if (ends) decoder.unitEnd();
    }
    decoder.end();
    return result();
  };

  test.each([1, 50, 115, 116, 117, 333, 5000])(
    'start where the layer below says, in data fields of %i bytes',
    (size) => {
      const { intact, counts } = push(bytes, size);
      expect(intact.map((frame) => frame.bytes)).toEqual(frames);
      expect(counts).toEqual({ intact: 20, damaged: 0, skippedBytes: 0 });
    },
  );

  test('a lost data field costs the frames that touched it, no other', () => {
    for (const size of [150, 333, 700]) {
      for (let lost = 0; lost * size < bytes.length; lost++) {
        const touched = (n: number): boolean => n * length < (lost + 1) * size && (n + 1) * length > lost * size;
        const { intact } = push(bytes, size, [lost]);
        expect(atsOf(intact)).toEqual(placesOf(frames).filter((_, n) => !touched(n)));
      }
    }
  });

  test('wrong bytes cost the frames they are in, and are counted', () => {
    const hit = Buffer.concat(frames.map((frame, n) => (n % 5 === 3 ? damage(frame, 30) : frame)));
    const { intact, damaged } = push(hit, 333);
    expect(atsOf(intact)).toEqual(placesOf(frames).filter((_, n) => n % 5 !== 3));
    expect(atsOf(damaged)).toEqual(placesOf(frames).filter((_, n) => n % 5 === 3));
  });

  test('a wrong hint inside a damaged frame costs no other, as long as the next one is in step', () => {
    const { decoder, result } = collect(layout);
    const hit = Buffer.concat(frames.with(3, damage(frames[3]!, 30)));
    decoder.push(hit, 0, 3 * length, 0, 0);
    decoder.push(hit, 3 * length, hit.length, 3 * length, 3 * length + 50);
    decoder.end();
    expect(atsOf(result().intact)).toEqual(placesOf(frames).filter((_, n) => n !== 3));
    expect(atsOf(result().damaged)).toEqual([3 * length]);
  });

  test('bytes missing in a data field cost the frames up to the next hint', () => {
    const { decoder, result } = collect(layout);
    decoder.push(bytes, 0, 500, 0, 0);
    decoder.push(bytes, 520, 1000, 520, -1); // its hint was lost with its first bytes
    decoder.push(bytes, 1000, bytes.length, 1000, 1044);
    decoder.end();
    expect(atsOf(result().intact)).toEqual(placesOf(frames).filter((at) => at < 464 || at >= 1044));
  });

  test('in packets: each packet begins with a frame, and what is too short for one is skipped', () => {
    const { decoder, result } = collect(layout);
    for (let n = 0; n < 20; n += 2) {
      const packet = Buffer.concat([frames[n]!, frames[n + 1]!, Buffer.alloc(n * 5, n)]);
      decoder.push(packet, 0, packet.length, n * 1000, -1);
      decoder.unitEnd();
    }
    decoder.end();
    expect(result().intact.map((frame) => frame.bytes)).toEqual(frames);
    expect(result().intact.map(({ at }) => at)).toEqual(frames.map((_, n) => (n >> 1) * 2000 + (n % 2) * length));
    expect(result().counts).toMatchObject({ intact: 20, damaged: 0 });
  });

  test('in packets: a damaged or cut packet costs no frame of the next one', () => {
    const hit = frames.map((frame, n) => (n === 4 ? damage(frame, 20) : n === 9 ? frame.subarray(0, 60) : frame));
    const { decoder, result } = collect(layout);
    hit.forEach((packet, n) => {
      decoder.push(packet, 0, packet.length, n * 1000, 0);
      decoder.unitEnd();
    });
    decoder.end();
    expect(result().intact.map((frame) => frame.bytes)).toEqual(frames.filter((_, n) => n !== 4 && n !== 9));
    expect(result().counts).toEqual({ intact: 18, damaged: 1, skippedBytes: 60 });
  });

  test('fill of zeros is no frame, though a CRC that starts at 0 is right over it', () => {
    const zeroes = layoutOf({ marker: '', crc: CRC_CATALOGUE['CRC-16/XMODEM'] });
    const { decoder, result } = collect(zeroes);
    decoder.push(new Uint8Array(5 * zeroes.length), 0, 5 * zeroes.length, 0, 0);
    decoder.end();
    expect(result().intact).toEqual([]);
  });
});

describe('packets of marked frames', () => {
  test('a frame does not go on in the next packet: it is cut', () => {
    const layout = layoutOf();
    const frames = makeFrames(layout, 3, 11);
    const bytes = Buffer.concat(frames);
    const { decoder, result } = collect(layout);
    decoder.push(bytes, 0, 200, 0, 0);
    decoder.unitEnd();
    decoder.push(bytes, 200, bytes.length, 200, 40);
    decoder.unitEnd();
    decoder.end();
    expect(result().intact.map((frame) => frame.bytes)).toEqual([frames[0], frames[2]]);
    expect(result().damaged).toEqual([{ at: 120, bytes: bytes.subarray(120, 200) }]);
    expect(result().counts['skippedBytes']).toBe(40);
  });
});
