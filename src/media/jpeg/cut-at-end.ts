// Where the begin of the next scan is lost, its data are taken for those of the scan before it: pieces that cannot be that one's
// are left out.
import type { Piece, Pieces } from './pieces.js';

/** Of the MCUs that there are: so many more may be counted before it is said that there is another scan's data behind. */
const surplus = 1.2;

/**
 * @param decoded of a scan of DC values only
 * @param ranges by component: most that two of its values can be apart (T.81, A.3.3: DC values stand for means of 8-bit samples)
 */
export function cutAtEnd(decoded: Pieces, ranges: readonly number[]): Pieces {
  const { pieces, bits, totalMcus, lostAfter } = decoded;
  if (pieces.length < 2) return decoded;
  const means = pieces.map(({ first, count }) => {
    let sum = 0;
    for (let m = first; m < first + count; m++) sum += bits[m]!;
    return sum / count;
  });
  let reached = 0;
  let kept = pieces.length;
  for (const [i, piece] of pieces.entries()) {
    reached += piece.lostBits / ((means[Math.max(0, i - 1)]! + means[i]!) / 2);
    if (kept === pieces.length && (reached > totalMcus || !isPossible(decoded, piece, ranges))) kept = i;
    reached += piece.count;
  }
  reached += Math.max(0, lostAfter) / means.at(-1)!;
  if (reached < surplus * totalMcus)
    kept = Math.max(kept, pieces.findLastIndex((piece) => isPossible(decoded, piece, ranges)) + 1);
  if (kept === pieces.length && reached < surplus * totalMcus) return decoded;
  const own = pieces.slice(0, kept).map((piece, i) => (i > 0 ? { ...piece, fixed: -1 } : piece));
  return { ...decoded, pieces: own, lostAfter: -1 };
}

function isPossible(
  { store, kept, blocks }: Pieces,
  { first, count, doubtful }: Piece,
  ranges: readonly number[],
): boolean {
  const low = ranges.map(() => Number.POSITIVE_INFINITY);
  const high = ranges.map(() => Number.NEGATIVE_INFINITY);
  for (let n = (first + doubtful) * blocks.length; n < (first + count) * blocks.length; n++) {
    const { component } = blocks[n % blocks.length]!;
    const value = store[kept * n]!;
    if (value < low[component]!) low[component] = value;
    if (value > high[component]!) high[component] = value;
  }
  return ranges.every((range, c) => high[c]! - low[c]! <= range);
}
