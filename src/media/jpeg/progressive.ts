// The scans of a progressive picture that add to what the first one gave: ITU-T T.81, G.1.2. Each is used up to its first hole, and
// from behind its last one where counting back from its end tells where the blocks lie; a refinement only where all before it came.
import type { BitCursor } from './entropy.js';
import { longCode } from './entropy.js';
import type { JpegScan } from './header.js';
import { type HuffmanTable, lookupBits } from './huffman-table.js';
import { blockOfScan, type Layout } from './layout.js';
import { findUnit } from './resync.js';
import type { ScanData, Stretch } from './stretches.js';

/** By block of the picture: a bit for each scan of its component that was applied to it, in the order of the file. */
export type Applied = Uint32Array;

export type Planes = { readonly layout: Layout; readonly store: Int16Array; readonly applied: Applied };

function readSymbol(cursor: BitCursor, table: HuffmanTable): number {
  const { data, at } = cursor;
  const byte = at >>> 3;
  const word = ((data[byte]! << 24) | (data[byte + 1]! << 16) | (data[byte + 2]! << 8) | data[byte + 3]!) << (at & 7);
  const found = table.lookup[word >>> (32 - lookupBits)]! || longCode(table, word >>> 16);
  if (found === 0) return -1;
  cursor.at = at + (found >> 8);
  return found & 255;
}

function readBits(cursor: BitCursor, count: number): number {
  let value = 0;
  for (let i = 0; i < count; i++, cursor.at++) {
    value = (value << 1) | ((cursor.data[cursor.at >>> 3]! >> (7 - (cursor.at & 7))) & 1);
  }
  return value;
}

/** One coded block of a first AC scan. Returns how many blocks without coefficients follow it, -1 where it is none. */
function readFirst(cursor: BitCursor, scan: JpegScan, out: Int16Array, to: number): number {
  const table = scan.ac[0]!;
  for (let k = scan.spectralStart; k <= scan.spectralEnd; k++) {
    const symbol = readSymbol(cursor, table);
    if (symbol < 0) return -1;
    const run = symbol >> 4;
    const size = symbol & 15;
    if (size === 0) {
      if (run < 15) return cursor.at + run <= cursor.end ? (1 << run) - 1 + readBits(cursor, run) : -1;
      k += 15;
      continue;
    }
    k += run;
    if (k > scan.spectralEnd || size > 10) return -1;
    const bits = readBits(cursor, size);
    out[to + k] = (bits >> (size - 1) ? bits : bits + 1 - (1 << size)) << scan.low;
  }
  return cursor.at <= cursor.end ? 0 : -1;
}

/** Applies a first AC scan (T.81, G.1.2.2). */
export function applyFirstAc(
  { layout, store, applied }: Planes,
  scan: JpegScan,
  { data, stretches }: ScanData,
  bit: number,
): void {
  const c = scan.components[0]!;
  const { blocksAcross, blocksDown } = layout.parts[c]!;
  const total = blocksAcross * blocksDown;
  const spare = new Int16Array(64);
  /** Reads to the end of a stretch; tells the block it came to and whether it came to the end. */
  const run = (stretch: Stretch, at: number, first: number, keep: boolean): { n: number; clean: boolean } => {
    const cursor = { data, at, end: stretch.end };
    let n = first;
    while (n < total) {
      if (cursor.at >= cursor.end) break;
      const index = keep ? blockOfScan(layout, c, n) : 0;
      const skipped = readFirst(cursor, scan, keep ? store : spare, 64 * index);
      if (skipped < 0) {
        if (keep) store.fill(0, 64 * index + scan.spectralStart, 64 * index + scan.spectralEnd + 1);
        break;
      }
      const stop = Math.min(total, n + 1 + skipped);
      for (; n < stop; n++) if (keep) applied[blockOfScan(layout, c, n)]! |= bit;
    }
    return { n, clean: stretch.end - cursor.at < 8 };
  };
  let n = 0;
  let sure = true;
  for (const stretch of stretches) {
    if (stretch.before === 'hole') sure = false;
    if (!sure) break;
    if (typeof stretch.before === 'number' && n % scan.restartInterval !== 0) break;
    n = run(stretch, stretch.start, n, true).n;
  }
  const last = stretches.at(-1)!;
  if (last.before !== 'hole' || last.after !== 'scan') return;
  const found = findUnit(
    { data, at: last.start, end: last.end },
    1,
    (cursor) => readFirst(cursor, scan, spare, 0) >= 0,
  );
  if (!found) return;
  const { n: count, clean } = run(last, found.sureAt, 0, false);
  // With the begin of another scan lost in the holes, these may be that one's data: then the lengths do not fit.
  const lost = stretches.reduce(
    (sum, { lostBytes, start, end }, i) => sum + 8 * lostBytes + (i > 0 && i < stretches.length - 1 ? end - start : 0),
    0,
  );
  const expected = lost / ((last.end - found.sureAt) / count);
  const between = total - n - count;
  const fits = between >= 0 && between < 3 * expected + 200 && between > expected / 3 - 200;
  if (clean && count > 0 && fits) run(last, found.sureAt, total - count, true);
}

/** Applies a refinement of AC coefficients (G.1.2.3) to the blocks that all scans before it reached. */
export function applyAcRefinement(
  { layout, store, applied }: Planes,
  scan: JpegScan,
  { data, stretches }: ScanData,
  bit: number,
): void {
  const c = scan.components[0]!;
  const { blocksAcross, blocksDown } = layout.parts[c]!;
  const stretch = stretches[0]!;
  if (stretch.before !== 'scan' || scan.restartInterval > 0) return;
  const cursor = { data, at: stretch.start, end: stretch.end };
  const before = bit - 1;
  const step = 1 << scan.low;
  const kept = new Int16Array(64);
  let rest = 0;
  const correct = (at: number) => {
    if (readBits(cursor, 1) && (store[at]! & step) === 0) store[at]! += store[at]! > 0 ? step : -step;
  };
  for (let n = 0; n < blocksAcross * blocksDown; n++) {
    const index = blockOfScan(layout, c, n);
    if ((applied[index]! & before) !== before) return;
    const base = 64 * index;
    kept.set(store.subarray(base, base + 64));
    let k = scan.spectralStart;
    let whole = true;
    if (rest === 0) {
      while (k <= scan.spectralEnd) {
        const symbol = readSymbol(cursor, scan.ac[0]!);
        let run = symbol >> 4;
        const size = symbol & 15;
        if (symbol < 0 || size > 1) {
          whole = false;
          break;
        }
        let value = 0;
        if (size === 0 && run < 15) {
          rest = (1 << run) + readBits(cursor, run);
          break;
        }
        if (size === 1) value = readBits(cursor, 1) ? step : -step;
        for (; k <= scan.spectralEnd; k++) {
          if (store[base + k] !== 0) correct(base + k);
          else if (run-- === 0) break;
        }
        if (value !== 0) {
          if (k > scan.spectralEnd) whole = false;
          else store[base + k] = value;
        }
        k++;
      }
    }
    if (rest > 0) {
      for (; k <= scan.spectralEnd; k++) if (store[base + k] !== 0) correct(base + k);
      rest--;
    }
    if (!whole || cursor.at > cursor.end) {
      store.set(kept, base);
      return;
    }
    applied[index]! |= bit;
  }
}

/** Applies a refinement of DC values (G.1.2.1): one bit per block, from the begin and, behind the last hole, from the end. */
export function applyDcRefinement(
  { layout, store, applied }: Planes,
  scan: JpegScan,
  { data, stretches }: ScanData,
  bits: readonly number[],
): void {
  const single = scan.components.length === 1;
  const c0 = scan.components[0]!;
  const order = scan.components.flatMap((c, i) => {
    const { first, h, v } = layout.parts[c]!;
    return Array.from({ length: h * v }, (_, b) => ({ block: first + b, bit: bits[i]! }));
  });
  const { blocksAcross, blocksDown } = layout.parts[c0]!;
  const total = single ? blocksAcross * blocksDown : layout.mcus * order.length;
  const apply = (at: number, n: number, count: number) => {
    const cursor = { data, at, end: at + count };
    for (let i = n; i < n + count; i++) {
      const inMcu = order[i % order.length]!;
      const index = single
        ? blockOfScan(layout, c0, i)
        : Math.floor(i / order.length) * layout.blocksPerMcu + inMcu.block;
      const bit = single ? bits[0]! : inMcu.bit;
      const value = readBits(cursor, 1);
      if ((applied[index]! & (bit - 1)) !== 0) store[64 * index]! |= value << scan.low;
      applied[index]! |= bit;
    }
  };
  if (scan.restartInterval > 0) return;
  const first = stretches[0]!;
  const last = stretches.at(-1)!;
  const begin = first.before === 'scan' ? Math.min(total, first.end - first.start) : 0;
  apply(first.start, 0, begin);
  if (last === first || last.before !== 'hole' || last.after !== 'scan') return;
  // The last byte is filled up with ones.
  const padding = (8 - (total % 8)) % 8;
  const count = Math.min(total - begin, last.end - last.start - padding);
  if (count > 0) apply(last.end - padding - count, total - count, count);
}
