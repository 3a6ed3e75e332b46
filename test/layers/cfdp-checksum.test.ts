import { execFileSync, spawnSync } from 'node:child_process';
import fc from 'fast-check';
import { describe, expect, test } from 'vitest';
import { CHECKSUM_TYPE, startCfdpChecksum } from '../../src/bytes/cfdp-checksum.js';
import { checksumVectors, pduVectors } from './cfdp-material.js';
import { noise } from './seeded.js';

type Sums = { perSegment?: { offset: number; len: number; sum: string }[] } & Record<string, string>;

const of = (type: number, bytes: Uint8Array): number => {
  const checksum = startCfdpChecksum(type)!;
  checksum.update(bytes);
  return checksum.digest();
};
const hex8 = (value: number): string => value.toString(16).padStart(8, '0');

describe('CCSDS 727.0-B-5, 4.2: checksums that others have judged', () => {
  const types = {
    modular: CHECKSUM_TYPE.modular,
    crc32c: CHECKSUM_TYPE.crc32c,
    crc32: CHECKSUM_TYPE.crc32,
    nul: CHECKSUM_TYPE.null,
  };
  const rows = checksumVectors.flatMap(({ id, hex, expect: e, verified }) =>
    Object.entries(types).flatMap(([name, type]) => {
      const sum = (e as Sums)[name];
      return sum === undefined ? [] : [{ id, name, type, hex, sum, verified }];
    }),
  );
  test.each(rows)('$id: $name ($verified)', ({ hex, type, sum }) => {
    expect(hex8(of(type, Buffer.from(hex, 'hex')))).toBe(sum);
  });

  const segments = checksumVectors.flatMap(({ hex, expect: e }) =>
    ((e as unknown as Sums).perSegment ?? []).map((segment) => ({ ...segment, hex })),
  );
  test.each(segments)('modular-checksum: $len bytes at $offset of the file', ({ hex, offset, len, sum }) => {
    const checksum = startCfdpChecksum(CHECKSUM_TYPE.modular);
    checksum.addAt(offset, Buffer.from(hex, 'hex').subarray(offset, offset + len));
    expect(hex8(checksum.digest())).toBe(sum);
  });

  test('every vector was there', () => {
    expect(rows.length).toBe(5);
    expect(segments.length).toBe(3);
    expect(pduVectors.length + checksumVectors.length).toBe(13);
  });
});

/** The rule as it stands: words of four bytes, big-endian, the last one filled with zeros, summed modulo 2^32. */
const paddedWords = (bytes: Uint8Array): number => {
  const padded = Buffer.concat([bytes, Buffer.alloc((4 - (bytes.length % 4)) % 4)]);
  let sum = 0n;
  for (let at = 0; at < padded.length; at += 4) sum += BigInt(padded.readUInt32BE(at));
  return Number(sum % 2n ** 32n);
};

describe('the modular checksum', () => {
  test('is the sum of padded words, in any order and any split', () => {
    fc.assert(
      fc.property(
        fc.uint8Array({ maxLength: 300 }),
        fc.array(fc.nat(300)),
        fc.infiniteStream(fc.nat()),
        (bytes, cuts, order) => {
          const places = [...new Set([0, bytes.length, ...cuts.filter((cut) => cut < bytes.length)])].sort(
            (a, b) => a - b,
          );
          const pieces = places
            .slice(1)
            .map((end, i) => ({ start: places[i]!, end, rank: order.next().value as number }));
          const checksum = startCfdpChecksum(CHECKSUM_TYPE.modular);
          for (const { start, end } of pieces.sort((a, b) => a.rank - b.rank))
            checksum.addAt(start, bytes.subarray(start, end));
          expect(checksum.digest()).toBe(paddedWords(bytes));
        },
      ),
      { seed: 21, numRuns: 1000 },
    );
  });

  test('goes by the place in the file, beyond 2^32 too', () => {
    const checksum = startCfdpChecksum(CHECKSUM_TYPE.modular);
    checksum.addAt(2 ** 40 + 1, Uint8Array.of(1, 2, 3, 4));
    expect(hex8(checksum.digest())).toBe('04010203');
  });

  test('does not see that zeros are missing: whether every byte is there must be known first', () => {
    const bytes = Uint8Array.of(9, 8, 7, 6, 0, 0, 0, 0, 5);
    const holed = startCfdpChecksum(CHECKSUM_TYPE.modular);
    holed.addAt(0, bytes.subarray(0, 4));
    holed.addAt(8, bytes.subarray(8));
    expect(holed.digest()).toBe(of(CHECKSUM_TYPE.modular, bytes));
  });
});

/** A parametrised CRC one bit at a time, in BigInt: the slow judge. Parameters as in the fact sheet (a bitwise script and crcmod agree). */
const bitwise = (poly: bigint, init: bigint, reflected: boolean, xorout: bigint, bytes: Uint8Array): number => {
  const mask = 0xffffffffn;
  const reverse = (value: bigint, bits: number): bigint =>
    BigInt(`0b${value.toString(2).padStart(bits, '0').split('').reverse().join('')}`);
  let register = init;
  for (const byte of bytes) {
    register ^= (reflected ? reverse(BigInt(byte), 8) : BigInt(byte)) << 24n;
    for (let i = 0; i < 8; i++) register = ((register << 1n) & mask) ^ ((register >> 31n) & 1n ? poly : 0n);
  }
  return Number((reflected ? reverse(register, 32) : register) ^ xorout);
};

describe('the CRCs', () => {
  test.each([
    ['Proximity-1 CRC-32', CHECKSUM_TYPE.proximity1, 0x00a00805n, 0n, false, 0n],
    ['CRC-32C', CHECKSUM_TYPE.crc32c, 0x1edc6f41n, 0xffffffffn, true, 0xffffffffn],
    ['CRC-32', CHECKSUM_TYPE.crc32, 0x04c11db7n, 0xffffffffn, true, 0xffffffffn],
  ] as const)('%s in any split is what one bit at a time gives', (_, type, poly, init, reflected, xorout) => {
    fc.assert(
      fc.property(fc.array(fc.uint8Array({ maxLength: 90 }), { maxLength: 6 }), (pieces) => {
        const checksum = startCfdpChecksum(type)!;
        for (const piece of pieces) checksum.update(piece);
        expect(checksum.digest()).toBe(bitwise(poly, init, reflected, xorout, Buffer.concat(pieces)));
      }),
      { seed: 22, numRuns: 200 },
    );
  });

  // RFC 3720, B.4 (from memory; one bit at a time agrees). The RFC prints the bytes as sent, the lowest first.
  test.each([
    ['32 bytes of zeros', new Uint8Array(32), '8a9136aa'],
    ['32 bytes of ones', new Uint8Array(32).fill(0xff), '62a8ab43'],
    ['32 bytes rising from 0', Uint8Array.from({ length: 32 }, (_, i) => i), '46dd794e'],
    ['32 bytes falling to 0', Uint8Array.from({ length: 32 }, (_, i) => 31 - i), '113fdb5c'],
  ])('CRC-32C of %s is that of RFC 3720, B.4', (_, bytes, sum) => {
    expect(hex8(of(CHECKSUM_TYPE.crc32c, bytes))).toBe(sum);
  });

  // Check values over "123456789": the usual parametrised-CRC catalogue, for Proximity-1 test/vectors/crc.json.
  test.each([
    ['Proximity-1 CRC-32', CHECKSUM_TYPE.proximity1, '51693c0c'],
    ['CRC-32C', CHECKSUM_TYPE.crc32c, 'e3069283'],
    ['CRC-32', CHECKSUM_TYPE.crc32, 'cbf43926'],
  ])('%s of "123456789" is the check value', (_, type, sum) => {
    expect(hex8(of(type, Buffer.from('123456789')))).toBe(sum);
  });

  const hasPython = spawnSync('python3', ['--version']).status === 0;
  if (!hasPython) console.log('skipped: python3 is not on PATH, so that zlib cannot be asked for a CRC-32');
  test.skipIf(!hasPython)('CRC-32 is what zlib in Python says, at 100 sizes up to 20,000 bytes', () => {
    const pieces = Array.from({ length: 100 }, (_, i) => noise(i * i * 2, i + 1));
    const script = 'import sys, zlib\nfor line in sys.stdin: print("%08x" % zlib.crc32(bytes.fromhex(line)))';
    const input = pieces.map((piece) => `${piece.toString('hex')}\n`).join('');
    const said = execFileSync('python3', ['-c', script], { input, encoding: 'utf8' }).trim().split('\n');
    expect(pieces.map((piece) => hex8(of(CHECKSUM_TYPE.crc32, piece)))).toEqual(said);
  });
});

test('the null checksum is 0 whatever the file', () => {
  expect(of(CHECKSUM_TYPE.null, noise(100, 1))).toBe(0);
});

test('a type that is not known has no checksum', () => {
  for (const type of [4, 5, 14, 16, -1]) expect(startCfdpChecksum(type)).toBeNull();
});
