import { readFileSync } from 'node:fs';
import fc from 'fast-check';
import { describe, expect, test } from 'vitest';
import { readBasebandHeader } from '../../src/layers/baseband-header.js';
import {
  type ModeAdaptation,
  mayEndAt,
  qpskModcod,
  readModeAdaptation,
  writeModeAdaptation,
} from '../../src/layers/mode-adaptation.js';

type Vector = {
  id: string;
  hex: string;
  expect: {
    type: string;
    headerBytes: number;
    short?: boolean;
    pilots?: boolean;
    modcod?: number;
    esn0dB?: number | null;
    frameNo?: number;
  };
  verified: string;
};
const { vectors } = JSON.parse(readFileSync(new URL('../vectors/modeadapt.json', import.meta.url), 'utf8')) as {
  vectors: Vector[];
};

describe.each(vectors.map((vector) => [vector.id, vector.verified, vector] as const))(
  '%s (%s)',
  (_, __, { hex, expect: stated }) => {
    const bytes = Buffer.from(hex, 'hex');
    const { type, headerBytes, short, pilots, modcod, esn0dB, frameNo } = stated;
    const wanted = {
      type,
      ...(modcod !== undefined && { modcod, pilots, short }),
      ...(typeof esn0dB === 'number' && { esN0: esn0dB }),
      ...(frameNo !== undefined && { frameNumber: frameNo }),
    };

    test('is read as stated, anywhere in a buffer', () => {
      expect(readModeAdaptation(bytes, 0, headerBytes)).toEqual(wanted);
      expect(readModeAdaptation(Buffer.concat([Buffer.alloc(5), bytes]), 5, headerBytes)).toEqual(wanted);
      expect(readBasebandHeader(bytes.subarray(headerBytes))).not.toBeNull();
    });

    test('is written as it stands', () => {
      expect(Buffer.from(writeModeAdaptation(wanted as ModeAdaptation))).toEqual(bytes.subarray(0, headerBytes));
    });
  },
);

test('what is written is read again, S2X too', () => {
  const s2 = fc.record({ modcod: fc.integer({ min: 1, max: 31 }), pilots: fc.boolean(), short: fc.boolean() });
  // An S2X MODCOD is even here: its lowest bit is not carried.
  const s2x = fc.record({ modcod: fc.integer({ min: 64, max: 127 }).map((half) => 2 * half), pilots: fc.boolean() });
  const quality = fc.record({ esN0: fc.integer({ min: -8, max: 246 }).map((n) => n / 8), frameNumber: fc.nat(255) });
  fc.assert(
    fc.property(fc.constantFrom('L.2', 'L.3', 'L.4'), fc.oneof(s2, s2x), quality, (type, modulation, more) => {
      const header = { type, ...modulation, ...(type !== 'L.2' && more) } as ModeAdaptation;
      const bytes = writeModeAdaptation(header);
      expect(readModeAdaptation(bytes, 0, bytes.length)).toEqual(header);
    }),
  );
});

test('nothing is read without its sync byte, beyond the bytes that are there, or of a length that no type has', () => {
  const bytes = Buffer.from(vectors.find(({ id }) => id === 'L3')!.hex, 'hex');
  const wrong = Buffer.from(bytes);
  wrong[0] = 0xb9;
  expect(readModeAdaptation(wrong, 0, 4)).toBeNull();
  expect(readModeAdaptation(wrong, 0, 2)).toBeNull();
  expect(readModeAdaptation(bytes, bytes.length - 3, 4)).toBeNull();
  expect(readModeAdaptation(bytes, 0, 1)).toBeNull();
});

test('where a header may end is told by its bytes being there and its sync byte', () => {
  for (const { hex, expect: stated } of vectors) {
    const bytes = Buffer.from(hex, 'hex');
    expect(mayEndAt(bytes, stated.headerBytes, stated.headerBytes)).toBe(true);
    if (stated.headerBytes > 0) expect(mayEndAt(bytes, stated.headerBytes - 1, stated.headerBytes)).toBe(false);
    bytes[0] = 0xb7;
    expect(mayEndAt(bytes, stated.headerBytes, stated.headerBytes)).toBe([0, 3].includes(stated.headerBytes));
  }
});

// MODCODs 1 to 11 are QPSK, by rising code rate: EN 302 307-1, table 12 (from memory), Kbch from tables 5a and 5b.
test.each([
  [2001, 1, false],
  [4026, 4, false],
  [5380, 6, false],
  [7274, 11, false],
  [384, 1, true],
  [1194, 5, true],
  [1779, 10, true],
  [1000, 5, true],
  [3000, 3, false],
  [9000, 11, false],
])('a frame of %i bytes is sent with MODCOD %i when by QPSK', (bytes, modcod, short) => {
  expect(qpskModcod(bytes)).toEqual({ modcod, short });
});

test('Es/N0 is kept within what can be said', () => {
  const said = (esN0: number): number | undefined =>
    readModeAdaptation(writeModeAdaptation({ type: 'L.4', modcod: 4, esN0, frameNumber: 0 }), 0, 3)!.esN0;
  expect([-5, -1, 7.06, 30.75, 99].map(said)).toEqual([-1, -1, 7, 30.75, 30.75]);
});
