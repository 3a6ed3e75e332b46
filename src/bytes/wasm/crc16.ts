// AssemblyScript (compiled by src/build.ts, not by TypeScript): CRCs of up to 16 bits, 32 bytes a step with SIMD.
//
// Register: as in ../crc.ts, its low byte meets the next data byte. One zero byte takes register c to A(c) = (c >>> 8) ^ t[c & 255],
// a data byte b to A(c ^ b); A is linear over GF(2). Byte i of the data goes to lane i % 16 of stream (i / 16) % 2. A lane holds a
// register of its own and takes the next of its bytes 32 bytes on: c -> A^32(c ^ b), looked up by the four nibbles of c ^ b in
// tables of 16 results each, low and high byte apart. At the end the lanes are put in a row: acc -> A(acc ^ lane).
// Method: known for AES-like look-ups as nibble shuffles; the split of a CRC into interleaved lanes follows from its linearity.

/** Bytes of one CRC's tables: `t` as 256 u16, then 8 nibble tables for A^32 and 8 for A^16, 16 bytes each. */
const BYTE_TABLE: usize = 512;

// @ts-ignore: decorator
@inline
function advanceLow(tables: usize, low: v128, high: v128): v128 {
  const nibble = i8x16.splat(15);
  return v128.xor(
    v128.xor(
      i8x16.swizzle(v128.load(tables), v128.and(low, nibble)),
      i8x16.swizzle(v128.load(tables, 16), i8x16.shr_u(low, 4)),
    ),
    v128.xor(
      i8x16.swizzle(v128.load(tables, 32), v128.and(high, nibble)),
      i8x16.swizzle(v128.load(tables, 48), i8x16.shr_u(high, 4)),
    ),
  );
}

/**
 * Takes the register `c` over `[at, at + size)`.
 *
 * @param tables address of the tables, 16-byte aligned
 */
export function advance(tables: usize, c: u32, at: usize, size: u32): u32 {
  const end = at + size;
  if (size >= 64) {
    const by32 = tables + BYTE_TABLE;
    const by16 = by32 + 128;
    let low0 = v128.xor(v128.load(at), i8x16.replace_lane(i8x16.splat(0), 0, <u8>c));
    let high0 = i8x16.replace_lane(i8x16.splat(0), 0, <u8>(c >> 8));
    let low1 = v128.load(at, 16);
    let high1 = i8x16.splat(0);
    at += 32;
    for (const last = end - 32; at <= last; at += 32) {
      const next0 = advanceLow(by32, low0, high0);
      high0 = advanceLow(by32 + 64, low0, high0);
      low0 = v128.xor(next0, v128.load(at));
      const next1 = advanceLow(by32, low1, high1);
      high1 = advanceLow(by32 + 64, low1, high1);
      low1 = v128.xor(next1, v128.load(at, 16));
    }
    low1 = v128.xor(low1, advanceLow(by16, low0, high0));
    high1 = v128.xor(high1, advanceLow(by16 + 64, low0, high0));
    // Through memory: lanes by a variable index. The 32 bytes before the tables are for this.
    v128.store(tables - 32, low1);
    v128.store(tables - 16, high1);
    c = 0;
    for (let lane: usize = 0; lane < 16; lane++) {
      c ^= <u32>load<u8>(tables - 32 + lane) | (<u32>load<u8>(tables - 16 + lane) << 8);
      c = (c >> 8) ^ <u32>load<u16>(tables + ((c & 255) << 1));
    }
  }
  for (; at < end; at++) c = (c >> 8) ^ <u32>load<u16>(tables + (((c ^ load<u8>(at)) & 255) << 1));
  return c;
}
