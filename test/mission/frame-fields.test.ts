import fc from 'fast-check';
import { describe, expect, test } from 'vitest';
import { CRC_CATALOGUE } from '../../src/bytes/crc-catalogue.js';
import { compileField, FRAME_FIELD_NAMES, frameHeaderParser, writeField } from '../../src/mission/frame-fields.js';
import type { FrameField, FrameLayout } from '../../src/mission/mission.js';
import { parseMission } from '../../src/mission/mission-file.js';
import { example } from './example.js';

/** A field in a buffer: big-endian of any width from any bit, or little-endian of whole bytes. */
const anyField: fc.Arbitrary<FrameField> = fc.oneof(
  fc.record({
    at: fc.nat(20),
    bit: fc.nat(7),
    bits: fc.integer({ min: 1, max: 48 }),
    endian: fc.constant('big' as const),
  }),
  fc.record({
    at: fc.nat(20),
    bit: fc.constant(0),
    bits: fc.constantFrom(8, 16, 24, 32, 40, 48),
    endian: fc.constantFrom('big' as const, 'little' as const),
  }),
);

/** 27 bytes: the last field may begin at byte 20, bit 7 and be 48 bits wide. */
const enough = fc.uint8Array({ minLength: 27, maxLength: 27 });

/** The field cut out of the text of all bits: the slow judge. */
const fromBitText = ({ at, bit, bits, endian }: FrameField, bytes: Uint8Array): number => {
  const own = endian === 'little' ? bytes.slice(at, at + bits / 8).reverse() : bytes.slice(at);
  const text = [...own].map((byte) => byte.toString(2).padStart(8, '0')).join('');
  return Number.parseInt(text.slice(bit, bit + bits), 2);
};

/** Up to seven fields in any wire order, with or without gaps between them, after a marker of 0 to 5 bytes. */
const anyLayout: fc.Arbitrary<FrameLayout> = fc
  .record({
    markerBytes: fc.nat(5),
    names: fc.shuffledSubarray([...FRAME_FIELD_NAMES], { minLength: 1 }),
    places: fc.array(
      fc.record({
        gapBits: fc.oneof(fc.constant(0), fc.nat(40)),
        bits: fc.oneof(fc.integer({ min: 1, max: 48 }), fc.constantFrom(8, 16, 24, 32, 48)),
        wholeBytes: fc.boolean(),
        endian: fc.constantFrom('big' as const, 'little' as const),
      }),
      { minLength: 7, maxLength: 7 },
    ),
  })
  .map(({ markerBytes, names, places }) => {
    let cursor = 8 * markerBytes;
    const fields = names.map((name, n) => {
      const { gapBits, bits, wholeBytes, endian } = places[n]!;
      cursor += gapBits;
      if (wholeBytes) cursor = 8 * Math.ceil(cursor / 8);
      const little = cursor % 8 === 0 && bits % 8 === 0 ? endian : 'big';
      const field: FrameField = { at: cursor >> 3, bit: cursor % 8, bits, endian: little };
      cursor += bits;
      return [name, field];
    });
    const length = Math.ceil(cursor / 8) + 3;
    return {
      marker: new Uint8Array(markerBytes),
      length,
      fields: Object.fromEntries(fields) as FrameLayout['fields'],
      payload: { at: length - 3, size: 1 },
      crc: { parameters: CRC_CATALOGUE['CRC-16/XMODEM'], at: length - 2, covers: [0, length - 2], endian: 'big' },
    };
  });

describe('compileField', () => {
  test('reads the numbers of a frame written out by hand', () => {
    const bytes = Uint8Array.of(0x12, 0x34, 0x56, 0x78, 0x9a, 0xbc);
    const read = (at: number, bit: number, bits: number, endian: 'big' | 'little' = 'big'): number =>
      compileField({ at, bit, bits, endian })(bytes, 0);
    expect(read(0, 0, 8)).toBe(0x12);
    expect(read(0, 0, 16)).toBe(0x1234);
    expect(read(1, 0, 24)).toBe(0x345678);
    expect(read(2, 0, 32)).toBe(0x56789abc);
    expect(read(0, 0, 48)).toBe(0x123456789abc);
    expect(read(0, 4, 12)).toBe(0x234);
    expect(read(0, 3, 1)).toBe(1);
    expect(read(4, 4, 8)).toBe(0xab);
    expect(read(0, 0, 24, 'little')).toBe(0x563412);
    expect(read(0, 0, 48, 'little')).toBe(0xbc9a78563412);
  });

  test('gives 48 bits that start inside a byte without loss', () => {
    const bytes = new Uint8Array(7).fill(0xff);
    expect(compileField({ at: 0, bit: 7, bits: 48, endian: 'big' })(bytes, 0)).toBe(2 ** 48 - 1);
  });

  test('agrees with the text of the bits for any field at any place', () => {
    fc.assert(
      fc.property(anyField, enough, fc.uint8Array({ maxLength: 9 }), (field, bytes, before) => {
        const shifted = Uint8Array.from([...before, ...bytes]);
        expect(compileField(field)(shifted, before.length)).toBe(fromBitText(field, bytes));
      }),
      { seed: 11, numRuns: 2000 },
    );
  });
});

describe('writeField', () => {
  test('what was written is read back, and every other bit is as it was', () => {
    const fieldAndValue = anyField.chain((field) =>
      fc.record({ field: fc.constant(field), value: fc.maxSafeNat().map((n) => n % 2 ** field.bits) }),
    );
    fc.assert(
      fc.property(fieldAndValue, enough, fc.nat(5), ({ field, value }, frame, before) => {
        const bytes = new Uint8Array(before + frame.length).fill(0x5a);
        bytes.set(frame, before);
        const original = bytes.slice();
        const read = compileField(field);
        writeField(field, bytes, before, value);
        expect(read(bytes, before)).toBe(value);
        writeField(field, bytes, before, read(original, before));
        expect(bytes).toEqual(original);
      }),
      { seed: 12, numRuns: 2000 },
    );
  });

  const field: FrameField = { at: 1, bit: 2, bits: 6, endian: 'big' };

  test.each([64, -1, 1.5, Number.NaN])('refuses %d for six bits', (value) => {
    const bytes = new Uint8Array(4);
    expect(() => writeField(field, bytes, 0, value)).toThrow('a value from 0 to 63 fits the 6-bit field at byte 1');
    expect(bytes).toEqual(new Uint8Array(4));
  });

  test('refuses a field that does not lie in the bytes', () => {
    expect(() => writeField(field, new Uint8Array(4), 3, 1)).toThrow('a field in bytes [4, 5) of 4 bytes');
  });
});

describe('frameHeaderParser (binary-parser, the outside judge)', () => {
  test('agrees with the fast readers on random layouts and bytes', () => {
    fc.assert(
      fc.property(
        anyLayout.chain((layout) =>
          fc.record({
            layout: fc.constant(layout),
            frame: fc.uint8Array({ minLength: layout.length, maxLength: layout.length }),
          }),
        ),
        ({ layout, frame }) => {
          const fast = Object.fromEntries(
            Object.entries(layout.fields).map(([name, field]) => [name, compileField(field)(frame, 0)]),
          );
          expect(frameHeaderParser(layout).parse(frame)).toEqual(fast);
        },
      ),
      { seed: 13, numRuns: 1500 },
    );
  });

  test('reads the frame of the example', () => {
    const layout = parseMission(example, 'm.yaml').frame!;
    const frame = new Uint8Array(layout.length);
    const values = { counter: 4_000_000_000, file: 7, segment: 70_000, segments: 70_001, length: 984 };
    for (const [name, value] of Object.entries(values)) {
      writeField(layout.fields[name as keyof typeof values]!, frame, 0, value);
    }
    expect([...frame.subarray(4, 18)]).toEqual([
      0xee, 0x6b, 0x28, 0x00, 0x00, 0x07, 0x01, 0x11, 0x70, 0x01, 0x11, 0x71, 0x03, 0xd8,
    ]);
    expect(frameHeaderParser(layout).parse(frame)).toEqual(values);
  });

  test('refuses a frame that is too short', () => {
    const layout = parseMission(example, 'm.yaml').frame!;
    expect(() => frameHeaderParser(layout).parse(new Uint8Array(1003))).toThrow('a frame is 1004 bytes, got 1003');
  });
});
