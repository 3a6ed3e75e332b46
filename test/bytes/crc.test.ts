import { readFileSync } from 'node:fs';
import crc16ccitt from 'crc/crc16ccitt';
import fc from 'fast-check';
import { describe, expect, test } from 'vitest';
import { crc32, makeCrc, portableCrc32 } from '../../src/bytes/crc.js';
import { CRC_CATALOGUE, CRC_NAMES, type CrcName, type CrcParameters } from '../../src/bytes/crc-catalogue.js';

type Vector = {
  id: CrcName;
  hex: string;
  expect: { check: string; width: number; poly: string; init: string; refin: boolean; refout: boolean; xorout: string };
  verified: string;
};
const { vectors } = JSON.parse(readFileSync(new URL('../vectors/crc.json', import.meta.url), 'utf8')) as {
  vectors: Vector[];
};

const check = new TextEncoder().encode('123456789');

/** The definition of a parametrised CRC, one bit at a time, in BigInt so that no shift can go wrong: the slow judge. */
const bitwise = (p: CrcParameters, bytes: Uint8Array): number => {
  const width = BigInt(p.width);
  const mask = (1n << width) - 1n;
  const reverse = (value: bigint, bits: bigint): bigint => {
    let out = 0n;
    for (let i = 0n; i < bits; i++) out = (out << 1n) | ((value >> i) & 1n);
    return out;
  };
  let register = BigInt(p.init);
  for (const byte of bytes) {
    register ^= (p.reflected ? reverse(BigInt(byte), 8n) : BigInt(byte)) << (width - 8n);
    for (let i = 0; i < 8; i++) {
      const top = (register >> (width - 1n)) & 1n;
      register = ((register << 1n) & mask) ^ (top ? BigInt(p.poly) : 0n);
    }
  }
  return Number((p.reflected ? reverse(register, width) : register) ^ BigInt(p.xorout));
};

/** Seeded bytes (xorshift32), the same in every run. */
const noise = (length: number, seed = 1): Uint8Array => {
  let x = seed;
  return Uint8Array.from({ length }, () => {
    x ^= x << 13;
    x ^= x >>> 17;
    x ^= x << 5;
    return x & 0xff;
  });
};

describe('the catalogue against the vectors of a bitwise script and the crcmod library', () => {
  test.each(vectors)('$id has the published parameters and check value ($verified)', ({ id, hex, expect: e }) => {
    expect(CRC_CATALOGUE[id]).toEqual({
      name: id,
      width: e.width,
      poly: Number.parseInt(e.poly, 16),
      init: Number.parseInt(e.init, 16),
      reflected: e.refin,
      xorout: Number.parseInt(e.xorout, 16),
    });
    expect(e.refin).toBe(e.refout);
    const bytes = Buffer.from(hex, 'hex');
    expect(makeCrc(CRC_CATALOGUE[id])(bytes, 0, bytes.length)).toBe(Number.parseInt(e.check, 16));
  });

  test('every entry has a vector', () => {
    expect([...CRC_NAMES].sort()).toEqual(vectors.map((v) => v.id).sort());
  });
});

// Residues (CRC over data followed by its own CRC) and CRCs of nothing: bitwise script and crcmod, from the project's fact sheet.
const residues: [CrcName, number][] = [
  ['CRC-8/DVB-S2', 0],
  ['CRC-16/IBM-3740', 0],
  ['CRC-16/XMODEM', 0],
  ['CRC-16/GENIBUS', 0xe2f0],
  ['CRC-16/KERMIT', 0],
  ['CRC-16/IBM-SDLC', 0x0f47],
  ['CRC-32/MPEG-2', 0],
  ['CRC-32/ISO-HDLC', 0x2144df1c],
  ['CRC-32/BZIP2', 0x38fb2284],
  ['CRC-32/ISCSI', 0x48674bc7],
  ['CRC-32/PROXIMITY-1', 0],
  ['CRC-24/OPENPGP', 0],
];

test.each(residues)('%s over data and its own CRC leaves the known residue', (name, residue) => {
  const { width, reflected } = CRC_CATALOGUE[name];
  const crc = makeCrc(CRC_CATALOGUE[name]);
  for (const data of [check, noise(100), noise(1002)]) {
    const value = crc(data, 0, data.length);
    const tail = Array.from({ length: width / 8 }, (_, i) => (value >>> (8 * i)) & 0xff);
    const whole = Uint8Array.from([...data, ...(reflected ? tail : tail.reverse())]);
    expect(crc(whole, 0, whole.length)).toBe(residue);
  }
});

test.each<[CrcName, number]>([
  ['CRC-16/IBM-3740', 0xffff],
  ['CRC-32/MPEG-2', 0xffffffff],
  ['CRC-32/ISO-HDLC', 0],
  ['CRC-8/DVB-S2', 0],
  ['CRC-24/OPENPGP', 0xb704ce],
])('%s of no bytes is the known value', (name, value) => {
  expect(makeCrc(CRC_CATALOGUE[name])(new Uint8Array(0), 0, 0)).toBe(value);
});

describe('sixteen bytes a step gives what one bit at a time gives', () => {
  test.each([...CRC_NAMES])('%s at every length from 0 to 300', (name) => {
    const crc = makeCrc(CRC_CATALOGUE[name]);
    const bytes = noise(300);
    for (let length = 0; length <= 300; length++) {
      expect(crc(bytes, 0, length), `length ${length}`).toBe(bitwise(CRC_CATALOGUE[name], bytes.subarray(0, length)));
    }
  });

  test.each([...CRC_NAMES])('%s over any part of a buffer is that of the part alone', (name) => {
    const crc = makeCrc(CRC_CATALOGUE[name]);
    fc.assert(
      fc.property(fc.uint8Array({ maxLength: 200 }), fc.nat(200), fc.nat(200), (bytes, a, b) => {
        const start = Math.min(a, b, bytes.length);
        const end = Math.min(Math.max(a, b), bytes.length);
        return crc(bytes, start, end) === bitwise(CRC_CATALOGUE[name], bytes.subarray(start, end));
      }),
      { seed: 3 },
    );
  });

  test.each([8, 16, 24, 32])('any %i-bit polynomial, start value, direction and end value', (width) => {
    const value = fc.bigInt({ min: 0n, max: (1n << BigInt(width)) - 1n }).map(Number);
    fc.assert(
      fc.property(
        fc.record({ poly: value, init: value, xorout: value, reflected: fc.boolean() }),
        fc.uint8Array({ maxLength: 60 }),
        (chosen, bytes) => {
          const parameters = { name: 'any', width, ...chosen };
          return makeCrc(parameters)(bytes, 0, bytes.length) === bitwise(parameters, bytes);
        },
      ),
      { seed: 4 },
    );
  });
});

test('CRC-16/IBM-3740 agrees with the crc package on random bytes of 0 to 1500', () => {
  const crc = makeCrc(CRC_CATALOGUE['CRC-16/IBM-3740']);
  fc.assert(
    fc.property(
      fc.nat(1500).chain((n) => fc.uint8Array({ minLength: n, maxLength: n })),
      (bytes) => crc(bytes, 0, bytes.length) === crc16ccitt(Buffer.from(bytes)),
    ),
    { seed: 5 },
  );
});

describe('crc32', () => {
  test('goes on from the CRC of the bytes before, with zlib and without', () => {
    fc.assert(
      fc.property(fc.uint8Array({ maxLength: 300 }), fc.uint8Array({ maxLength: 300 }), (head, tail) => {
        const whole = bitwise(CRC_CATALOGUE['CRC-32/ISO-HDLC'], Uint8Array.from([...head, ...tail]));
        for (const crc of [crc32, portableCrc32]) {
          expect(crc(tail, 0, tail.length, crc(head, 0, head.length))).toBe(whole);
        }
      }),
      { seed: 6 },
    );
  });

  test('takes a part of a buffer', () => {
    const bytes = Uint8Array.from([7, 7, ...check, 7]);
    expect(crc32(bytes, 2, 11)).toBe(0xcbf43926);
    expect(portableCrc32(bytes, 2, 11)).toBe(0xcbf43926);
  });
});

test('a range outside the bytes is refused, not computed over nothing', () => {
  const crc = makeCrc(CRC_CATALOGUE['CRC-8/DVB-S2']);
  const bytes = noise(20);
  for (const [start, end] of [
    [0, 21],
    [-1, 5],
    [6, 5],
    [0, Number.NaN],
  ] as const) {
    expect(() => crc(bytes, start, end)).toThrow(`a CRC over [${start}, ${end}) of 20 bytes`);
    expect(() => crc32(bytes, start, end)).toThrow(RangeError);
    expect(() => portableCrc32(bytes, start, end)).toThrow(RangeError);
  }
});

test('a width that is not whole bytes is refused', () => {
  expect(() => makeCrc({ ...CRC_CATALOGUE['CRC-8/DVB-S2'], width: 12 })).toThrow('got 12');
});
