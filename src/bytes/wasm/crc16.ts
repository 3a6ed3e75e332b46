// AssemblyScript (compiled by src/build.ts, not by TypeScript): CRCs of up to 16 bits, 64 bytes a step with SIMD.
//
// Register: as in ../crc.ts, its low byte meets the next data byte. One zero byte takes register c to A(c) = (c >>> 8) ^ t[c & 255],
// two data bytes w to A^2(c ^ w); A is linear over GF(2). The data are words of two bytes; word i goes to lane i % 16 of stream
// (i / 16) % 2. A lane holds a register of its own and takes the next of its words 64 bytes on: c -> A^64(c) ^ w, looked up by the
// four nibbles of c in tables of 16 results each, low and high byte apart. At the end the lanes are folded in halves. Zero bytes
// leave a register of 0 as it is: so the data are led by zeros to whole steps, and the register joins the first two bytes that count
// (a size of 64 n + 1 would part the two: its first byte goes in by itself).
// Method: known for AES-like look-ups as nibble shuffles; the split of a CRC into interleaved lanes follows from its linearity.
//
// Longer data are folded first. Where A^far = A^b + A^c + 1, a byte may be taken out and added to those that lie far - b, far - c and far
// behind it: the CRC stays the same. So all but the last bytes are folded away, 16 at a time, without a look-up.
// Method: sparse multiples of the polynomial, S. Russell, "Chorba: a novel CRC32 implementation", 2024 (from memory).

/**
 * Bytes of one CRC's tables: `t` as 256 u16, then nibble tables for A^64, A^32, A^16, A^8, A^4 and A^2, then the bytes -64 to 79, then
 * the three distances of folding, rising, as u32; 0 where there are none.
 */
const BYTE_TABLE: usize = 512;
const NIBBLE_TABLES: usize = 128;
const RAMP: usize = BYTE_TABLE + 6 * NIBBLE_TABLES;
const DISTANCES: usize = RAMP + 144;
const STEP: u32 = 64;

/** Most bytes folded at once, and each of the rooms beside them: more than the furthest distance, and a step. */
const MOST_FOLDED: u32 = 4096;
const FOLD_MARGIN: u32 = 1024;
/** Fewer are not worth it. */
const LEAST_FOLDED: u32 = 256;

// @ts-ignore: decorator
@inline
function lookUp(tables: usize, low: v128, lowShifted: v128, high: v128, highShifted: v128): v128 {
  return v128.xor(
    v128.xor(i8x16.swizzle(v128.load(tables), low), i8x16.swizzle(v128.load(tables, 16), lowShifted)),
    v128.xor(i8x16.swizzle(v128.load(tables, 32), high), i8x16.swizzle(v128.load(tables, 48), highShifted)),
  );
}

/** The 16 words' first bytes. */
// @ts-ignore: decorator
@inline
function firsts(a: v128, b: v128): v128 {
  const byte = i16x8.splat(255);
  return i8x16.narrow_i16x8_u(v128.and(a, byte), v128.and(b, byte));
}

// @ts-ignore: decorator
@inline
function seconds(a: v128, b: v128): v128 {
  return i8x16.narrow_i16x8_u(i16x8.shr_u(a, 8), i16x8.shr_u(b, 8));
}

/** 16 bytes at `at + offset`, of which those before `at + pad` count as zeros; the register comes in there. */
// @ts-ignore: decorator
@inline
function headAt(at: usize, offset: usize, ramp: usize, register: v128): v128 {
  const index = v128.load(ramp + offset);
  const data = v128.and(v128.load(at + offset), i8x16.ge_s(index, i8x16.splat(0)));
  return v128.xor(data, i8x16.swizzle(register, index));
}

// @ts-ignore: decorator
@inline
function byteInto(tables: usize, c: u32, byte: u32): u32 {
  return (c >> 8) ^ <u32>load<u16>(tables + (((c ^ byte) & 255) << 1));
}

/** Room for folding, 0 while there is none: what is left, zeros, what is folded, zeros. */
let foldRoom: usize = 0;
/** Bytes folded last, and their furthest distance. */
let folded: u32 = 0;
let reach: u32 = 0;

/** Gives this instance room of its own for folding: `3 * FOLD_MARGIN + MOST_FOLDED` zeros. */
export function useFoldRoom(at: usize): void {
  foldRoom = at;
}

/** Takes the register `c` over `[at, at + size)`. The 63 bytes before `at` are in the memory. @param tables 16-byte aligned */
export function advance(tables: usize, c: u32, at: usize, size: u32): u32 {
  const far = load<u32>(tables + DISTANCES, 8);
  if (far == 0 || foldRoom == 0) return advanceByLanes(tables, c, at, size);
  while (size >= far + LEAST_FOLDED) {
    const piece = min(size, far + MOST_FOLDED);
    c = advanceFolded(tables, c, at, piece);
    at += piece;
    size -= piece;
  }
  return size == 0 ? c : advanceByLanes(tables, c, at, size);
}

// @ts-ignore: decorator
@inline
function foldAt(data: usize, to: usize, near: usize, middle: usize, far: usize): v128 {
  return v128.xor(
    v128.xor(v128.load(data), v128.load(to - near)),
    v128.xor(v128.load(to - middle), v128.load(to - far)),
  );
}

/** The same of at least `far + LEAST_FOLDED` bytes and at most `far + MOST_FOLDED`, all but the last of which are folded away. */
function advanceFolded(tables: usize, c: u32, at: usize, size: u32): u32 {
  const near: usize = load<u32>(tables + DISTANCES);
  const middle: usize = load<u32>(tables + DISTANCES, 4);
  const far: usize = load<u32>(tables + DISTANCES, 8);
  const count = (size - <u32>far) & ~(STEP - 1);
  // What is folded ends where zeros begin, so that these need not be written.
  const end = foldRoom + 2 * FOLD_MARGIN + MOST_FOLDED;
  let to = end - count;
  if (count != folded || <u32>far != reach) {
    memory.fill(to - far, 0, far);
    folded = count;
    reach = <u32>far;
  }
  // Met by the first bytes alone.
  store<u16>(to - far, <u16>c);
  for (; to < end; to += STEP, at += STEP) {
    v128.store(to, foldAt(at, to, near, middle, far));
    v128.store(to, foldAt(at + 16, to + 16, near, middle, far), 16);
    v128.store(to, foldAt(at + 32, to + 32, near, middle, far), 32);
    v128.store(to, foldAt(at + 48, to + 48, near, middle, far), 48);
  }
  const left = size - count;
  const rest = foldRoom + FOLD_MARGIN - left;
  for (let i: u32 = 0; i < left; i += 16) v128.store(rest + i, foldAt(at + i, end + i, near, middle, far));
  return advanceByLanes(tables, 0, rest, left);
}

/**
 * Takes the register `c` over `[at, at + size)`. The 63 bytes before `at` are in the memory.
 *
 * @param tables address of the tables, 16-byte aligned
 */
function advanceByLanes(tables: usize, c: u32, at: usize, size: u32): u32 {
  const end = at + size;
  if (size % STEP == 1) {
    c = byteInto(tables, c, load<u8>(at++));
    size--;
  }
  if (size >= STEP) {
    const nibble = i8x16.splat(15);
    const pad = (0 - size) & (STEP - 1);
    at -= pad;
    const ramp = tables + RAMP + STEP - pad;
    const register = i16x8.replace_lane(i16x8.splat(0), 0, <u16>c);
    let a = headAt(at, 0, ramp, register);
    let b = headAt(at, 16, ramp, register);
    let low0 = firsts(a, b);
    let high0 = seconds(a, b);
    a = headAt(at, 32, ramp, register);
    b = headAt(at, 48, ramp, register);
    let low1 = firsts(a, b);
    let high1 = seconds(a, b);
    const by64 = tables + BYTE_TABLE;
    for (at += STEP; at < end; at += STEP) {
      let l = v128.and(low0, nibble);
      let ls = i8x16.shr_u(low0, 4);
      let h = v128.and(high0, nibble);
      let hs = i8x16.shr_u(high0, 4);
      a = v128.load(at);
      b = v128.load(at, 16);
      low0 = v128.xor(lookUp(by64, l, ls, h, hs), firsts(a, b));
      high0 = v128.xor(lookUp(by64 + 64, l, ls, h, hs), seconds(a, b));
      l = v128.and(low1, nibble);
      ls = i8x16.shr_u(low1, 4);
      h = v128.and(high1, nibble);
      hs = i8x16.shr_u(high1, 4);
      a = v128.load(at, 32);
      b = v128.load(at, 48);
      low1 = v128.xor(lookUp(by64, l, ls, h, hs), firsts(a, b));
      high1 = v128.xor(lookUp(by64 + 64, l, ls, h, hs), seconds(a, b));
    }
    let by = by64 + NIBBLE_TABLES;
    let l = v128.and(low0, nibble);
    let ls = i8x16.shr_u(low0, 4);
    let h = v128.and(high0, nibble);
    let hs = i8x16.shr_u(high0, 4);
    let low = v128.xor(low1, lookUp(by, l, ls, h, hs));
    let high = v128.xor(high1, lookUp(by + 64, l, ls, h, hs));
    for (let fold = 0; fold < 4; fold++) {
      by += NIBBLE_TABLES;
      l = v128.and(low, nibble);
      ls = i8x16.shr_u(low, 4);
      h = v128.and(high, nibble);
      hs = i8x16.shr_u(high, 4);
      // The first half of the lanes is taken on to the second: moved down by 8, 4, 2 and 1.
      const halves = v128.load(tables + RAMP + STEP + (8 >> fold));
      low = v128.xor(i8x16.swizzle(low, halves), lookUp(by, l, ls, h, hs));
      high = v128.xor(i8x16.swizzle(high, halves), lookUp(by + 64, l, ls, h, hs));
    }
    c = <u32>i8x16.extract_lane_u(low, 0) | (<u32>i8x16.extract_lane_u(high, 0) << 8);
    return byteInto(tables, byteInto(tables, c, 0), 0);
  }
  for (; at < end; at++) c = byteInto(tables, c, load<u8>(at));
  return c;
}
