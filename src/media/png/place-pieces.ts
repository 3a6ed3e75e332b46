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
};

/** @returns for each piece its first byte in the inflated whole, or `null` */
export function placePieces(pieces: readonly Piece[], rowBytes: number, total: number): (number | null)[] {
  const chains = joined(pieces, rowBytes);
  const ends = chains.map(({ first, last, length }) => (first.bit === 16 ? 0 : last.atEnd ? total - length : null));
  const order = [...chains.keys()];
  const forward = [...ends];
  for (const i of order) forward[i] ??= placeOf(chains, forward, i, rowBytes, total, [1]);
  const backward = [...ends];
  for (const i of order.reverse()) backward[i] ??= placeOf(chains, backward, i, rowBytes, total, [-1]);
  const disputed = ends.map((_, i) => forward[i] !== null && backward[i] !== null && forward[i] !== backward[i]);
  const placed = ends.map((_, i) => (disputed[i] ? null : (forward[i] ?? backward[i] ?? null)));
  // Between the two, what is near enough to both.
  for (const i of chains.keys()) {
    if (placed[i] === null && !disputed[i]) placed[i] = placeOf(chains, placed, i, rowBytes, total, [1, -1]);
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
    return { members: [{ index, offset: 0 }], first: piece, last: piece, length, rowStarts };
  });
  for (;;) {
    const next: Chain[] = [];
    for (const chain of chains) {
      const before = next.at(-1);
      const both = before ? join(before, chain, rowBytes) : null;
      if (both) next[next.length - 1] = both;
      else next.push(chain);
    }
    if (next.length === chains.length) return next;
    chains = next;
  }
}

/** More columns than these tell nothing. */
const mostColumns = 120;

function join(a: Chain, b: Chain, rowBytes: number): Chain | null {
  const columns = [a, b].map(({ rowStarts }) => [...rowStarts.keys()].filter((x) => rowStarts[x] === 1)) as [
    number[],
    number[],
  ];
  const fewer = columns[0].length <= columns[1].length ? 0 : 1;
  if (columns[fewer].length > mostColumns) return null;
  const agree = (gap: number): boolean => {
    const shift = (a.length + gap) % rowBytes;
    // A row that begins at column x of the first begins at column x - shift of the second.
    return fewer === 0
      ? columns[0].some((x) => b.rowStarts[(x - shift + rowBytes) % rowBytes] === 1)
      : columns[1].some((x) => a.rowStarts[(x + shift) % rowBytes] === 1);
  };
  const [least, most] = holeSizes(a.last, b.first);
  const gap = onlyGap(a.last, b.first, rowBytes, least, most, agree);
  if (gap === null) return null;
  const start = a.length + gap;
  return {
    members: [...a.members, ...b.members.map(({ index, offset }) => ({ index, offset: start + offset }))],
    first: a.first,
    last: b.last,
    length: start + b.length,
    rowStarts: a.rowStarts.map(
      (possible, x) => possible & b.rowStarts[(((x - start) % rowBytes) + rowBytes) % rowBytes]!,
    ),
  };
}

/** How far chain `i` is from the nearest one before it that is placed (`step` 1), or behind it (-1). */
function reach(chains: readonly Chain[], places: readonly (number | null)[], i: number, step: 1 | -1) {
  let [least, most] = [0, 0];
  for (let at = i; ; at -= step) {
    const next = at - step;
    const [chain, other] = [chains[at]!, chains[next]];
    if (!other) return null;
    const [low, high] = step > 0 ? holeSizes(other.last, chain.first) : holeSizes(chain.last, other.first);
    [least, most] = [least + low, most + high];
    if ((places[next] ?? null) !== null) return { anchor: next, least, most };
    [least, most] = [least + other.length, most + other.length];
  }
}

/** The one place of chain `i` that is in reach of those before and behind it, as far as they are asked for and placed. */
function placeOf(
  chains: readonly Chain[],
  places: readonly (number | null)[],
  i: number,
  rowBytes: number,
  total: number,
  steps: readonly (1 | -1)[],
): number | null {
  const chain = chains[i]!;
  const before = steps.includes(1) ? reach(chains, places, i, 1) : null;
  const behind = steps.includes(-1) ? reach(chains, places, i, -1) : null;
  if (!before && !behind) return null;
  let [from, to] = [0, total - chain.length];
  const end = before ? places[before.anchor]! + chains[before.anchor]!.length : 0;
  const start = behind ? places[behind.anchor]! - chain.length : 0;
  if (before) [from, to] = [Math.max(from, end + before.least), Math.min(to, end + before.most)];
  if (behind) [from, to] = [Math.max(from, start - behind.most), Math.min(to, start - behind.least)];
  const isPossible = (place: number): boolean =>
    place >= from && place <= to && chain.rowStarts[(rowBytes - (place % rowBytes)) % rowBytes] === 1;
  // The nearer neighbour is compared with.
  if (before && (!behind || before.most <= behind.most)) {
    const gap = onlyGap(chains[before.anchor]!.last, chain.first, rowBytes, from - end, to - end, (gap) =>
      isPossible(end + gap),
    );
    return gap === null ? null : end + gap;
  }
  const gap = onlyGap(chain.last, chains[behind!.anchor]!.first, rowBytes, start - to, start - from, (gap) =>
    isPossible(start - gap),
  );
  return gap === null ? null : start - gap;
}

const mostPossible = 200;

/** The number of bytes between two pieces: the one that is possible, or the one at whose place in a row it fits much better. */
function onlyGap(
  first: Piece,
  second: Piece,
  rowBytes: number,
  least: number,
  most: number,
  isPossible: (gap: number) => boolean,
): number | null {
  const possible: number[] = [];
  for (let gap = Math.max(0, least); gap <= most; gap++) {
    if (isPossible(gap)) possible.push(gap);
    // Where so many are, none is told from the others.
    if (possible.length > mostPossible) return null;
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
