// Whole-file checksums against published values.
import { createHash } from 'node:crypto';
import { expect, test } from 'vitest';
import { deliveredAlgorithm, startChecksum } from '../../src/files/checksum.js';

test.each([
  // CRC RevEng catalogue, CRC-32/ISO-HDLC: check value of "123456789".
  ['crc32', '123456789', 'cbf43926'],
  ['crc32', '', '00000000'],
  // The same catalogue, CRC-32/ISCSI.
  ['crc32c', '123456789', 'e3069283'],
  // CCSDS 727.0-B-5, 4.2.2, by hand: 31323334 + 35363738 + 39000000.
  ['modular', '123456789', '9f686a6c'],
  ['modular', '', '00000000'],
  // RFC 1321, appendix A.5.
  ['md5', 'abc', '900150983cd24fb0d6963f7d28e17f72'],
  // FIPS 180-4 examples (NIST): "abc".
  ['sha1', 'abc', 'a9993e364706816aba3e25717850c26c9cd0d89d'],
  ['sha256', 'abc', 'ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad'],
] as const)('%s of %j fed byte by byte is the published value', (algorithm, text, expected) => {
  const checksum = startChecksum(algorithm);
  for (const byte of Buffer.from(text)) checksum.update(Uint8Array.of(byte));
  expect(checksum.digest()).toBe(expected);
});

test('bytes handed over may be reused', () => {
  const checksum = startChecksum('sha256');
  const lent = Buffer.from('abc');
  checksum.update(lent);
  lent.fill(0);
  expect(checksum.digest()).toBe(createHash('sha256').update('abc').digest('hex'));
});

test('of an unstated kind is whichever is expected, and else the first', () => {
  const checksum = startChecksum('unstated');
  checksum.update(Buffer.from('123456789'));
  expect(checksum.digest('e3069283')).toBe('e3069283');
  expect(checksum.digest('cbf43926')).toBe('cbf43926');
  expect(checksum.digest('00000000')).toBe('9f686a6c');
});

// Types of the SANA registry as the project's standards notes give them (from memory).
test.each([
  [0, 'modular'],
  [1, 'proximity1'],
  [2, 'crc32c'],
  [3, 'crc32'],
  [15, undefined],
  [7, undefined],
  [null, 'unstated'],
] as const)('the checksum type %s of a file delivery is %s', (type, name) => {
  expect(deliveredAlgorithm(type)).toBe(name);
});
