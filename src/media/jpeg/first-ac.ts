// First AC scans of a progressive picture (ITU-T T.81, G.1.2.2). What comes before the first hole and behind the last is placed by
// counting; pieces between holes where their coefficients agree with what is known of the picture, else they are left out.
import { type BitCursor, readBits, readSymbol } from './entropy.js';
import type { JpegScan } from './header.js';
import { findPeak, holdPieces } from './hold-pieces.js';
import { blockOfScan } from './layout.js';
import { AcReference } from './match-ac.js';
import type { Planes } from './progressive.js';
import { findUnit } from './resync.js';
import type { ScanData, Stretch } from './stretches.js';

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

type AcPiece = {
  readonly stretch: Stretch;
  readonly at: number;
  readonly count: number;
  readonly fixed: number;
  readonly traits: Float32Array;
};

/** Applies a first AC scan to all blocks whose place is certain. */
export function applyFirstAc(planes: Planes, scan: JpegScan, { data, stretches }: ScanData, bit: number): void {
  const { layout, store, applied } = planes;
  const c = scan.components[0]!;
  const { blocksAcross, blocksDown } = layout.parts[c]!;
  const total = blocksAcross * blocksDown;
  const keep = (stretch: Stretch, at: number, first: number): number => {
    const cursor = { data, at, end: stretch.end };
    let n = first;
    while (n < total && cursor.at < cursor.end) {
      const index = blockOfScan(layout, c, n);
      const skipped = readFirst(cursor, scan, store, 64 * index);
      if (skipped < 0) {
        store.fill(0, 64 * index + scan.spectralStart, 64 * index + scan.spectralEnd + 1);
        break;
      }
      const stop = Math.min(total, n + 1 + skipped);
      for (; n < stop; n++) applied[blockOfScan(layout, c, n)]! |= bit;
    }
    return n;
  };
  let begun = 0;
  let next = 0;
  for (const stretch of stretches) {
    if (stretch.before === 'hole') break;
    if (typeof stretch.before === 'number' && begun % scan.restartInterval !== 0) break;
    begun = keep(stretch, stretch.start, begun);
    next++;
  }
  if (next === stretches.length || scan.restartInterval > 0) return;
  const reference = new AcReference(planes, scan, bit);
  const pieces = readPieces(scan, { data, stretches: stretches.slice(next) }, total - begun, reference);
  const peaks = pieces.map((piece) => {
    const scores = reference.match(piece.traits, begun, total - piece.count).subarray(begun);
    return findPeak(scores, piece);
  });
  const { places } = holdPieces(pieces, peaks, total - begun);
  for (const [i, { stretch, at }] of pieces.entries()) if (places[i]! >= 0) keep(stretch, at, begun + places[i]!);
}

/** @param left blocks that are left */
function readPieces(scan: JpegScan, { data, stretches }: ScanData, left: number, reference: AcReference): AcPiece[] {
  const spare = new Int16Array(64);
  const pieces: AcPiece[] = [];
  for (const stretch of stretches) {
    const cursor = { data, at: stretch.start, end: stretch.end };
    const found = cursor.end - cursor.at >= 8 ? findUnit(cursor, 1, (at) => readFirst(at, scan, spare, 0) >= 0) : null;
    if (!found) continue;
    const at = found.sureAt;
    cursor.at = at;
    const traits: number[] = [];
    let count = 0;
    while (count < left && cursor.at < cursor.end) {
      spare.fill(0);
      const skipped = readFirst(cursor, scan, spare, 0);
      if (skipped < 0) break;
      reference.addTraits(spare, 0, traits);
      count = Math.min(left, count + 1 + skipped);
      while (traits.length < count * reference.perBlock) traits.push(0);
    }
    if (count === 0) continue;
    const clean = stretch.after === 'scan' && stretch.end - cursor.at < 8;
    pieces.push({
      stretch,
      at,
      count,
      fixed: clean ? left - count : -1,
      traits: Float32Array.from(traits.slice(0, count * reference.perBlock)),
    });
  }
  return pieces;
}
