// Reading Huffman-coded blocks at any bit: ITU-T T.81, F.2.2. The data are unstuffed first, so that every position in a piece is
// a plain bit number and decoding can begin, stop and begin again anywhere.
import type { HuffmanTable } from './huffman-table.js';
import { lookupBits } from './huffman-table.js';

/** A place in unstuffed data; `at` and `end` count bits. */
export type BitCursor = {
  /** At least four bytes longer than what is read. */
  readonly data: Uint8Array;
  at: number;
  /** Nothing is taken beyond it; exclusive. */
  end: number;
};

/** A DC difference, and an index and a value for each of 63 coefficients. */
export const longestBlock = 127;

/**
 * Reads one block of a sequential scan or, where `ac` is `null`, only its DC difference.
 *
 * @param out gets, from `to` on, the DC difference and then the zigzag index and the value of each AC coefficient that is not
 *   zero: at most `longestBlock` places
 * @returns the place behind the last that was filled, -1 for an impossible code, too many coefficients, or the end of the data:
 *   `out` then holds part of a block, and the cursor stands where it went wrong
 */
export function readBlock(
  cursor: BitCursor,
  dc: HuffmanTable,
  ac: HuffmanTable | null,
  out: Int16Array,
  to: number,
): number {
  const { data, end } = cursor;
  let at = cursor.at;
  let table = dc;
  let lookup = dc.lookup;
  let next = to + 1;
  out[to] = 0;
  for (let k = 0; k < 64; ) {
    let byte = at >>> 3;
    let word = ((data[byte]! << 24) | (data[byte + 1]! << 16) | (data[byte + 2]! << 8) | data[byte + 3]!) << (at & 7);
    let found = lookup[word >>> (32 - lookupBits)]!;
    if (found === 0) {
      found = longCode(table, word >>> 16);
      if (found === 0) break;
    }
    const length = found >> 8;
    at += length;
    const size = found & 15;
    if (k === 0) {
      if (found & 0xf0 || size > 11) break;
    } else {
      const run = (found >> 4) & 15;
      if (size === 0) {
        if (run === 0) {
          cursor.at = at;
          return at <= end ? next : -1;
        }
        if (run !== 15) break;
        k += 16;
        if (k > 63) break;
        continue;
      }
      k += run;
      if (k > 63 || size > 10) break;
    }
    if (size > 0) {
      if (length + size > 25) {
        byte = at >>> 3;
        word = ((data[byte]! << 24) | (data[byte + 1]! << 16) | (data[byte + 2]! << 8)) << (at & 7);
      } else word <<= length;
      const bits = word >>> (32 - size);
      const value = word < 0 ? bits : bits + 1 - (1 << size);
      if (k === 0) out[to] = value;
      else {
        out[next] = k;
        out[next + 1] = value;
        next += 2;
      }
      at += size;
    }
    if (k++ === 0) {
      if (ac === null) {
        cursor.at = at;
        return at <= end ? next : -1;
      }
      table = ac;
      lookup = ac.lookup;
    } else if (k === 64) {
      cursor.at = at;
      return at <= end ? next : -1;
    }
  }
  cursor.at = at;
  return -1;
}

/** A code longer than the look-up takes, among the next 16 bits: length << 8 | symbol, or 0. */
export function longCode(table: HuffmanTable, next: number): number {
  const { limit } = table;
  for (let length = lookupBits + 1; length <= 16; length++) {
    if (next < limit[length]!) {
      return (length << 8) | table.symbols[(next >> (16 - length)) + table.offset[length]!]!;
    }
  }
  return 0;
}

/** The next symbol of a progressive scan, -1 where there is none. */
export function readSymbol(cursor: BitCursor, table: HuffmanTable): number {
  const { data, at } = cursor;
  const byte = at >>> 3;
  const word = ((data[byte]! << 24) | (data[byte + 1]! << 16) | (data[byte + 2]! << 8) | data[byte + 3]!) << (at & 7);
  const found = table.lookup[word >>> (32 - lookupBits)]! || longCode(table, word >>> 16);
  if (found === 0) return -1;
  cursor.at = at + (found >> 8);
  return found & 255;
}

export function readBits(cursor: BitCursor, count: number): number {
  let value = 0;
  for (let i = 0; i < count; i++, cursor.at++) {
    value = (value << 1) | ((cursor.data[cursor.at >>> 3]! >> (7 - (cursor.at & 7))) & 1);
  }
  return value;
}
