// The Internet checksum of IPv4 headers and UDP: the ones' complement of the ones' complement sum of 16-bit words.
// Standard: RFC 1071.

/**
 * Adds up `bytes[start, end)` as big-endian 16-bit words, an odd last byte filled up with zero. Sums of several stretches may be
 * added, as long as all but the last are of even length.
 *
 * @returns the plain sum, not yet folded; below 2^31 for anything that fits an IP packet
 */
export function sumWords(bytes: Uint8Array, start: number, end: number): number {
  let high = 0;
  let low = 0;
  const even = end - ((end - start) & 1);
  for (let i = start; i < even; i += 2) {
    high += bytes[i]!;
    low += bytes[i + 1]!;
  }
  if (even < end) high += bytes[even]!;
  return high * 256 + low;
}

/** The checksum of a sum: 0 where the sum was taken over a stretch that holds its own right checksum. */
export function foldChecksum(sum: number): number {
  while (sum > 0xffff) sum = (sum % 0x10000) + Math.floor(sum / 0x10000);
  return 0xffff - sum;
}
