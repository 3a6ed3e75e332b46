// AssemblyScript (compiled by src/build.ts, not by TypeScript): copies and XXH64 over bytes that lie in the memory.
// Source: the xxHash specification, XXH64 (steps and constants from memory; the test holds them to another implementation). The state
// is its four accumulators, one after the other.

const PRIME_1: u64 = 0x9e3779b185ebca87;
const PRIME_2: u64 = 0xc2b2ae3d27d4eb4f;
const PRIME_3: u64 = 0x165667b19e3779f9;
const PRIME_4: u64 = 0x85ebca77c2b2ae63;
const PRIME_5: u64 = 0x27d4eb2f165667c5;
const STRIPE: u32 = 32;

/**
 * Puts `count` pieces of `size` bytes, spread as ../spread.ts says, one after the other. Typed arrays copy between shared memories
 * ten times slower.
 */
export function gather(
  to: usize,
  from: usize,
  size: usize,
  count: u32,
  stride: usize,
  group: u32,
  phase: u32,
  skip: usize,
): void {
  for (; count > 0; count--) {
    memory.copy(to, from, size);
    to += size;
    from += stride;
    if (++phase == group) {
      phase = 0;
      from += skip;
    }
  }
}

// @ts-ignore: decorator
@inline
function round(accumulator: u64, lane: u64): u64 {
  return rotl<u64>(accumulator + lane * PRIME_2, 31) * PRIME_1;
}

// @ts-ignore: decorator
@inline
function merge(hash: u64, accumulator: u64): u64 {
  return (hash ^ round(0, accumulator)) * PRIME_1 + PRIME_4;
}

// @ts-ignore: decorator
@inline
function converge(a: u64, b: u64, c: u64, d: u64): u64 {
  const hash = rotl<u64>(a, 1) + rotl<u64>(b, 7) + rotl<u64>(c, 12) + rotl<u64>(d, 18);
  return merge(merge(merge(merge(hash, a), b), c), d);
}

/** Takes in the last bytes, fewer than a stripe, and mixes. */
// @ts-ignore: decorator
@inline
function conclude(hash: u64, at: usize, end: usize): u64 {
  for (; at + 8 <= end; at += 8) hash = rotl<u64>(hash ^ round(0, load<u64>(at)), 27) * PRIME_1 + PRIME_4;
  if (at + 4 <= end) {
    hash = rotl<u64>(hash ^ (<u64>load<u32>(at) * PRIME_1), 23) * PRIME_2 + PRIME_3;
    at += 4;
  }
  for (; at < end; at++) hash = rotl<u64>(hash ^ (<u64>load<u8>(at) * PRIME_5), 11) * PRIME_1;
  hash = (hash ^ (hash >> 33)) * PRIME_2;
  hash = (hash ^ (hash >> 29)) * PRIME_3;
  return hash ^ (hash >> 32);
}

/** The low 32 bits of the XXH64 of `[at, at + size)`, seed 0. */
export function hashLow(at: usize, size: u32): u32 {
  const end = at + size;
  let hash = PRIME_5;
  if (size >= STRIPE) {
    let a = PRIME_1 + PRIME_2;
    let b = PRIME_2;
    let c: u64 = 0;
    let d = 0 - PRIME_1;
    for (const last = end - STRIPE; at <= last; at += STRIPE) {
      a = round(a, load<u64>(at));
      b = round(b, load<u64>(at, 8));
      c = round(c, load<u64>(at, 16));
      d = round(d, load<u64>(at, 24));
    }
    hash = converge(a, b, c, d);
  }
  return <u32>conclude(hash + size, at, end);
}

/** Seed 0. */
export function beginHash(state: usize): void {
  store<u64>(state, PRIME_1 + PRIME_2);
  store<u64>(state, PRIME_2, 8);
  store<u64>(state, 0, 16);
  store<u64>(state, 0 - PRIME_1, 24);
}

/** Takes in `size` bytes, whole stripes of 32. */
export function hashStripes(state: usize, at: usize, size: u32): void {
  let a = load<u64>(state);
  let b = load<u64>(state, 8);
  let c = load<u64>(state, 16);
  let d = load<u64>(state, 24);
  for (const end = at + size; at < end; at += STRIPE) {
    a = round(a, load<u64>(at));
    b = round(b, load<u64>(at, 8));
    c = round(c, load<u64>(at, 16));
    d = round(d, load<u64>(at, 24));
  }
  store<u64>(state, a);
  store<u64>(state, b, 8);
  store<u64>(state, c, 16);
  store<u64>(state, d, 24);
}

/**
 * The XXH64 of all, written to `into`, little endian; the state stays as it is.
 *
 * @param at where the last bytes lie, fewer than a stripe
 * @param total bytes in all
 */
export function concludeHash(into: usize, state: usize, at: usize, size: u32, total: f64): void {
  const hash = total < STRIPE ? PRIME_5 : converge(load<u64>(state), load<u64>(state, 8), load<u64>(state, 16), load<u64>(state, 24));
  store<u64>(into, conclude(hash + <u64>total, at, at + size));
}
