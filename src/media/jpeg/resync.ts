// Where a Huffman decoder that begins anywhere is on the true grid: decoders started at many bits and in every block of the MCU
// fall in step with each other (the codes synchronise by themselves; common practice). The way most of them end up on is followed
// back to where enough of them had joined it.
import { type BitCursor, longestBlock, readBlock } from './entropy.js';
import type { HuffmanTable } from './huffman-table.js';

/** The blocks of one MCU in order, each with its tables; `ac` is `null` in scans that hold no AC coefficients. */
export type McuBlock = { readonly dc: HuffmanTable; readonly ac: HuffmanTable | null; readonly component: number };

/** Bits from which decoders start. More than 8: the first byte may be half of a stuffed one. */
const startBits = 20;
/** Bits of a stretch within which they have to agree. */
const windowBits = 24_000;
/** Share of those on the way that have joined it where it is likely to be true, and where it is sure (measured on photographs). */
const likelyShare = 0.65;
const sureShare = 0.95;

const dead = -1;
const beyond = -2;

/** Reused between calls: which state (bit, block of the MCU) has been met, and under what number. */
let stateStamp: Int32Array = new Int32Array(0);
let stateNode: Int32Array = new Int32Array(0);
let stamp = 0;
const scratch = new Int16Array(longestBlock);

export type Found = { readonly at: number; readonly sureAt: number; readonly agreed: number };

/**
 * Finds the first MCU of a stretch that begins in the middle.
 *
 * @param cursor at the stretch's first bit, its end set; left as it was
 * @returns the bit at which an MCU is likely to begin and the one where it is sure, or `null` where the decoders do not agree;
 *   `agreed` is the share of decoders that ended on this way
 */
export function findMcu(cursor: BitCursor, mcu: readonly McuBlock[]): Found | null {
  return findUnit(cursor, mcu.length, (at, block) => {
    const { dc, ac } = mcu[block]!;
    return readBlock(at, dc, ac, scratch, 0) >= 0;
  });
}

/** @param read reads one unit of the given phase, and says whether there was one; phases follow each other in a circle */
export function findUnit(
  cursor: BitCursor,
  phases: number,
  read: (cursor: BitCursor, phase: number) => boolean,
): Found | null {
  const first = cursor.at;
  const { end } = cursor;
  const window = Math.min(end - first, windowBits);
  const states = (window + 1) * phases;
  if (stateStamp.length < states) {
    stateStamp = new Int32Array(states);
    stateNode = new Int32Array(states);
    stamp = 0;
  }
  stamp++;
  // Nodes in the order met; each knows its follower. Bits grow along every way.
  const bitOf: number[] = [];
  const phaseOf: number[] = [];
  const next: number[] = [];
  const startsAt: number[] = [];
  let starts = 0;
  for (let bit = 0; bit < Math.min(startBits, window); bit++) {
    for (let phase = 0; phase < phases; phase++) {
      starts++;
      let state = bit * phases + phase;
      let previous = -1;
      for (;;) {
        if (stateStamp[state] === stamp) {
          if (previous >= 0) next[previous] = stateNode[state]!;
          else startsAt[stateNode[state]!]!++;
          break;
        }
        const node = bitOf.length;
        stateStamp[state] = stamp;
        stateNode[state] = node;
        const at = Math.floor(state / phases);
        const block = state - at * phases;
        bitOf.push(at);
        phaseOf.push(block);
        next.push(dead);
        startsAt.push(previous < 0 ? 1 : 0);
        if (previous >= 0) next[previous] = node;
        previous = node;
        cursor.at = first + at;
        const whole = read(cursor, block);
        const reached = cursor.at - first;
        if (!whole) {
          if (cursor.at + 32 > end) next[node] = beyond;
          break;
        }
        if (reached >= window) {
          next[node] = beyond;
          break;
        }
        state = reached * phases + ((block + 1) % phases);
      }
    }
  }
  cursor.at = first;
  const order = Uint32Array.from(bitOf.keys()).sort((a, b) => bitOf[a]! - bitOf[b]!);
  const joined = Float64Array.from(startsAt);
  const heaviest = new Int32Array(bitOf.length).fill(-1);
  let last = -1;
  for (const node of order) {
    const follower = next[node]!;
    if (follower === beyond) {
      if (last < 0 || joined[node]! > joined[last]!) last = node;
    } else if (follower >= 0) {
      joined[follower]! += joined[node]!;
      const rival = heaviest[follower]!;
      if (rival < 0 || joined[node]! > joined[rival]!) heaviest[follower] = node;
    }
  }
  if (last < 0) return null;
  let at = -1;
  let sureAt = beyond;
  for (
    let node = last;
    node >= 0 && joined[node]! >= Math.max(3, likelyShare * joined[last]!);
    node = heaviest[node]!
  ) {
    if (phaseOf[node] !== 0) continue;
    at = bitOf[node]!;
    if (joined[node]! >= sureShare * joined[last]! || sureAt === beyond) sureAt = at;
  }
  return at < 0 ? null : { at: first + at, sureAt: first + sureAt, agreed: joined[last]! / starts };
}
