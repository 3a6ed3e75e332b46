// The scans of a progressive picture that refine what others gave: ITU-T T.81, G.1.2. Bits of DC values are used wherever their place
// is certain; AC coefficients up to the first hole, and only where all before came.
import type { BitRun } from './dc-refinement.js';
import { readBits, readSymbol } from './entropy.js';
import type { JpegScan } from './header.js';
import { blockOfScan, type Layout } from './layout.js';
import type { ScanData } from './stretches.js';

/** By block of the picture: a bit for each scan of its component that was applied to it, in the order of the file. */
export type Applied = Uint32Array;

export type Planes = { readonly layout: Layout; readonly store: Int16Array; readonly applied: Applied };

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

/** Applies a refinement of DC values (G.1.2.1), one bit per block, as far as it is certain where the bits belong. */
export function applyDcRefinement(
  { layout, store, applied }: Planes,
  scan: JpegScan,
  runs: readonly BitRun[],
  bits: readonly number[],
): void {
  const single = scan.components.length === 1;
  const c0 = scan.components[0]!;
  const order = scan.components.flatMap((c, i) => {
    const { first, h, v } = layout.parts[c]!;
    return Array.from({ length: single ? 1 : h * v }, (_, b) => ({ block: first + b, bit: bits[i]! }));
  });
  const { blocksAcross, blocksDown } = layout.parts[c0]!;
  const total = single ? blocksAcross * blocksDown : layout.mcus * order.length;
  for (const { bits: values, begins } of runs) {
    const begin = begins[0]!.at;
    if (begins.length > 1) continue;
    for (let n = Math.max(0, begin); n < Math.min(total, begin + values.length); n++) {
      const { block, bit } = order[n % order.length]!;
      const index = single ? blockOfScan(layout, c0, n) : Math.floor(n / order.length) * layout.blocksPerMcu + block;
      if (values[n - begin]! > 0 && (applied[index]! & (bit - 1)) !== 0) store[64 * index]! |= 1 << scan.low;
      applied[index]! |= bit;
    }
  }
}
