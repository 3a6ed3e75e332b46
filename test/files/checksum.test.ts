// Whole-file checksums against published values.
import { createHash } from 'node:crypto';
import { expect, test } from 'vitest';
import { startChecksum } from '../../src/files/checksum.js';

test.each([
  // CRC RevEng catalogue, CRC-32/ISO-HDLC: check value of "123456789".
  ['crc32', '123456789', 'cbf43926'],
  ['crc32', '', '00000000'],
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
