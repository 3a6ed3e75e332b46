// How sure the place of each piece is: the way from a certain place (the begin or end of the scan) to the piece over others, each
// step as strong as the difference between the place taken and the best other one, the way as strong as its weakest step.
import type { Borders } from './borders.js';
import { type GapNeighbourhood, gapNeighbourhoods, isAllowed, lengthScore, type PlaceOptions } from './place.js';

/** Places tried on either side of the one taken, at least. */
const nearest = 12;
const mostTried = 600;
const mostSkipped = 4;

/**
 * @param at the place of each piece, in the order and direction of `borders`
 * @returns by piece, natural units; infinite where the place is certain
 */
export function placeStrengths(borders: Borders, at: Int32Array, options: PlaceOptions): Float64Array {
  const { pieces, width } = borders;
  const gaps = gapNeighbourhoods(pieces, options.bits, options.lostAfter);
  const strengths = new Float64Array(pieces.length);
  for (const [i, piece] of pieces.entries()) {
    if (piece.fixed >= 0) {
      strengths[i] = Number.POSITIVE_INFINITY;
      continue;
    }
    strengths[i] = i === 0 ? step(borders, at, i, -1, 0, gaps[0]!, options) : 0;
    // From the piece before it, or one before that where those between are less sure.
    let gap = gaps[i]!;
    for (let before = i - 1; before >= Math.max(0, i - mostSkipped); before--) {
      const end = at[before]! + pieces[before]!.count;
      if (strengths[before]! > strengths[i]!) {
        strengths[i] = Math.max(strengths[i]!, Math.min(strengths[before]!, step(borders, at, i, -1, end, gap, options)));
      }
      const { first, count } = pieces[before]!;
      let bits = gaps[before]!.lostBits + gap.lostBits;
      for (let m = first; m < first + count; m++) bits += options.bits[m]!;
      gap = { ...gap, lostBits: bits };
    }
    const end = i === 0 ? 0 : at[i - 1]! + pieces[i - 1]!.count;
    for (let upper = i - 1; upper >= 0 && at[upper]! + pieces[upper]!.count > at[i]! - width; upper--) {
      if (strengths[upper]! <= strengths[i]!) continue;
      const strength = step(borders, at, i, upper, end, gaps[i]!, options);
      strengths[i] = Math.max(strengths[i]!, Math.min(strengths[upper]!, strength));
    }
  }
  return strengths;
}

/** How much better piece `index` lies where it does than anywhere else, as seen from piece `upper` (-1: from the gap alone). */
function step(
  borders: Borders,
  at: Int32Array,
  index: number,
  upper: number,
  end: number,
  gap: GapNeighbourhood,
  options: PlaceOptions,
): number {
  const { pieces, width } = borders;
  const length = at[index]! - end;
  const estimate = gap.lostBits / gap.mean;
  const reach = Math.min(mostTried, Math.max(nearest, Math.ceil(1.5 * Math.max(length, estimate)), upper < 0 ? 0 : width + 2));
  const scoreAt = (place: number): number => {
    let score = lengthScore(gap, Math.max(0, place - end) * gap.mean, place - end) + borders.rowEnds(index, place % width);
    if (upper >= 0) score += borders.pair(index, upper, place - at[upper]!)?.score ?? 0;
    return score;
  };
  const own = scoreAt(at[index]!);
  let rival = Number.NEGATIVE_INFINITY;
  for (let shift = -reach; shift <= reach; shift++) {
    const place = at[index]! + shift;
    if (shift === 0 || place < end || !isAllowed(pieces[index]!, place, options)) continue;
    rival = Math.max(rival, scoreAt(place));
  }
  return own - rival;
}
