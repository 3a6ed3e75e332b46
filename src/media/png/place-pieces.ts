// Where the pieces of a holed PNG lie among its rows. The start and what reaches the end are certain. Neighbours are joined where the
// hole between them can have one size only: it holds about as many bytes as its neighbourhood inflates to, rows begin with filter
// types, and rows resemble those above. What is joined is then placed from the start and from the end, and only where both agree.
import type { Piece } from './find-pieces.js';
import { holeSizes, unlikeness } from './hole-sizes.js';

/** Pieces whose distances are known. */
type Chain = {
  /** Indices of pieces, and where each begins in the chain. */
  readonly members: readonly { readonly index: number; readonly offset: number }[];
  readonly first: Piece;
  readonly last: Piece;
  readonly length: number;
  /** By column: 1 where the first row that begins in it can begin, counted from its start. */
  readonly rowStarts: Uint8Array;
  /** Those columns. */
  readonly columns: readonly number[];
};
type Chains = {
  readonly chains: readonly Chain[];
  /** Least and most bytes between each and the next. */
  readonly holes: readonly (readonly [least: number, most: number])[];
  readonly rowBytes: number;
  readonly total: number;
};

/** @returns for each piece its first byte in the inflated whole, or `null` */
export function placePieces(pieces: readonly Piece[], rowBytes: number, total: number): (number | null)[] {
  const chains = joined(pieces, rowBytes);
  const holes = chains.slice(1).map((chain, i) => holeSizes(chains[i]!.last, chain.first));
  const all = { chains, holes, rowBytes, total };
  const ends = chains.map(({ first, last, length }) => (first.bit === 16 ? 0 : last.atEnd ? total - length : null));
  const order = [...chains.keys()];
  const forward = [...ends];
  for (const i of order) forward[i] ??= placeOf(all, forward, i, [1]);
  const backward = [...ends];
  for (const i of order.reverse()) backward[i] ??= placeOf(all, backward, i, [-1]);
  const disputed = ends.map((_, i) => forward[i] !== null && backward[i] !== null && forward[i] !== backward[i]);
  const placed = ends.map((_, i) => (disputed[i] ? null : (forward[i] ?? backward[i] ?? null)));
  // Between the two, what is near enough to both.
  for (const i of chains.keys()) {
    if (placed[i] === null && !disputed[i]) placed[i] = placeOf(all, placed, i, [1, -1]);
  }
  const places: (number | null)[] = pieces.map(() => null);
  for (const [i, { members }] of chains.entries()) {
    if (placed[i] === null || !isClear(chains, placed, i)) continue;
    for (const { index, offset } of members) places[index] = placed[i]! + offset;
  }
  return places;
}

/** What lies on top of another is wrong, and nobody can say which of the two. */
function isClear(chains: readonly Chain[], placed: readonly (number | null)[], i: number): boolean {
  const before = placed.slice(0, i).findLastIndex((other) => other !== null);
  const after = placed.findIndex((other, j) => j > i && other !== null);
  return (
    (before < 0 || placed[before]! + chains[before]!.length <= placed[i]!) &&
    (after < 0 || placed[i]! + chains[i]!.length <= placed[after]!)
  );
}

/** Joins neighbours as long as there are any that can be. */
function joined(pieces: readonly Piece[], rowBytes: number): Chain[] {
  let chains = pieces.map((piece, index): Chain => {
    const { length, rowStarts } = piece;
    const columns = columnsOf(rowStarts);
    return { members: [{ index, offset: 0 }], first: piece, last: piece, length, rowStarts, columns };
  });
  // By the first of the two: what need not be tried again.
  const apart = new Map<Chain, Chain>();
  for (;;) {
    const next: Chain[] = [];
    for (const chain of chains) {
      const before = next.at(-1);
      const both = before && apart.get(before) !== chain ? join(before, chain, rowBytes) : null;
      if (both) next[next.length - 1] = both;
      else {
        if (before) apart.set(before, chain);
        next.push(chain);
      }
    }
    if (next.length === chains.length) return next;
    chains = next;
  }
}

/** More columns than these tell nothing. */
const mostColumns = 120;

function join(a: Chain, b: Chain, rowBytes: number): Chain | null {
  if (Math.min(a.columns.length, b.columns.length) > mostColumns) return null;
  // A row that begins at column x of the first begins at column y of the second.
  const agree = new Uint8Array(rowBytes);
  for (const x of a.columns) {
    for (const y of b.columns) agree[modulo(x - y - a.length, rowBytes)] = 1;
  }
  const [least, most] = holeSizes(a.last, b.first);
  const gap = onlyGap(a.last, b.first, rowBytes, least, most, columnsOf(agree));
  if (gap === null) return null;
  const start = a.length + gap;
  const rowStarts = a.rowStarts.map((possible, x) => possible & b.rowStarts[modulo(x - start, rowBytes)]!);
  return {
    members: [...a.members, ...b.members.map(({ index, offset }) => ({ index, offset: start + offset }))],
    first: a.first,
    last: b.last,
    length: start + b.length,
    rowStarts,
    columns: columnsOf(rowStarts),
  };
}

/** Where there is a 1. */
function columnsOf(marks: Uint8Array): number[] {
  const columns: number[] = [];
  for (let x = marks.indexOf(1); x >= 0; x = marks.indexOf(1, x + 1)) columns.push(x);
  return columns;
}

/** The remainder, 0 or more. */
function modulo(value: number, divisor: number): number {
  const rest = value % divisor;
  return rest < 0 ? rest + divisor : rest;
}

/** How far chain `i` is from the nearest one before it that is placed (`step` 1), or behind it (-1). */
function reach({ chains, holes }: Chains, places: readonly (number | null)[], i: number, step: 1 | -1) {
  let [least, most] = [0, 0];
  for (let at = i; ; at -= step) {
    const next = at - step;
    const other = chains[next];
    if (!other) return null;
    const [low, high] = holes[Math.min(at, next)]!;
    [least, most] = [least + low, most + high];
    if ((places[next] ?? null) !== null) return { anchor: next, least, most };
    [least, most] = [least + other.length, most + other.length];
  }
}

/** The one place of chain `i` that is in reach of those before and behind it, as far as they are asked for and placed. */
function placeOf(
  all: Chains,
  places: readonly (number | null)[],
  i: number,
  steps: readonly (1 | -1)[],
): number | null {
  const { chains, rowBytes, total } = all;
  const chain = chains[i]!;
  const before = steps.includes(1) ? reach(all, places, i, 1) : null;
  const behind = steps.includes(-1) ? reach(all, places, i, -1) : null;
  if (!before && !behind) return null;
  let [from, to] = [0, total - chain.length];
  const end = before ? places[before.anchor]! + chains[before.anchor]!.length : 0;
  const start = behind ? places[behind.anchor]! - chain.length : 0;
  if (before) [from, to] = [Math.max(from, end + before.least), Math.min(to, end + before.most)];
  if (behind) [from, to] = [Math.max(from, start - behind.most), Math.min(to, start - behind.least)];
  // The nearer neighbour is compared with.
  if (before && (!behind || before.most <= behind.most)) {
    const columns = chain.columns.map((x) => modulo(-x - end, rowBytes)).sort((a, b) => a - b);
    const gap = onlyGap(chains[before.anchor]!.last, chain.first, rowBytes, from - end, to - end, columns);
    return gap === null ? null : end + gap;
  }
  const columns = chain.columns.map((x) => modulo(x + start, rowBytes)).sort((a, b) => a - b);
  const gap = onlyGap(chain.last, chains[behind!.anchor]!.first, rowBytes, start - to, start - from, columns);
  return gap === null ? null : start - gap;
}

const mostPossible = 200;

/**
 * The number of bytes between two pieces: the one that is possible, or the one at whose place in a row it fits much better.
 *
 * @param possibleColumns what the number can be beyond whole rows, in order
 */
function onlyGap(
  first: Piece,
  second: Piece,
  rowBytes: number,
  least: number,
  most: number,
  possibleColumns: readonly number[],
): number | null {
  const possible: number[] = [];
  const from = Math.max(0, least);
  for (let row = from - (from % rowBytes); row <= most; row += rowBytes) {
    for (const column of possibleColumns) {
      if (row + column >= from && row + column <= most) possible.push(row + column);
      // Where so many are, none is told from the others.
      if (possible.length > mostPossible) return null;
    }
  }
  // By their place in a row: how well the best of them fits, and how many there are.
  const columns = new Map<number, { gap: number; fit: number; count: number }>();
  for (const gap of possible) {
    const fit = unlikeness(first, second, rowBytes, gap);
    if (fit === null) return null;
    const other = columns.get(gap % rowBytes);
    const best = other && other.fit < fit ? other : { gap, fit };
    columns.set(gap % rowBytes, { ...best, count: 1 + (other?.count ?? 0) });
  }
  const [best, next] = [...columns.values()].sort((a, b) => a.fit - b.fit);
  // Rows resemble the one above and those above that: only the number of bytes tells which of them it was.
  if (!best || best.count > 1) return null;
  const usual = Math.max(2, first.roughness, second.roughness) * (2 + Math.floor(best.gap / rowBytes));
  return best.fit <= usual && (!next || best.fit + 1 < 0.7 * next.fit) ? best.gap : null;
}
