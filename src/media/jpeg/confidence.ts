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
        strengths[i] = Math.max(
          strengths[i]!,
          Math.min(strengths[before]!, step(borders, at, i, -1, end, gap, options)),
        );
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
  const reach = Math.min(
    mostTried,
    Math.max(nearest, Math.ceil(1.5 * Math.max(length, estimate)), upper < 0 ? 0 : width + 2),
  );
  const scoreAt = (place: number): number => {
    let score =
      lengthScore(gap, Math.max(0, place - end) * gap.mean, place - end) + borders.rowEnds(index, place % width);
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

/** Neighbours this sure bear witness for others. */
const witness = 2;
const rounds = 3;
/** Neighbours that are wrong together bear each other out. */
const caution = 0.7;

/**
 * Strengthens pieces that lie among surer ones: seen from all of those at once, above, below, before and behind.
 *
 * @param strengths changed in place
 */
export function strengthenAmongNeighbours(
  borders: Borders,
  at: Int32Array,
  strengths: Float64Array,
  options: PlaceOptions,
): void {
  const { pieces, width } = borders;
  const gaps = gapNeighbourhoods(pieces, options.bits, options.lostAfter);
  for (let round = 0; round < rounds; round++) {
    for (const [i, piece] of pieces.entries()) {
      if (strengths[i]! >= 20) continue;
      const end = at[i]! + piece.count;
      const around: number[] = [];
      for (let j = i - 1; j >= 0 && at[j]! + pieces[j]!.count > at[i]! - width - mostTried; j--) around.push(j);
      for (let j = i + 1; j < pieces.length && at[j]! < end + width + mostTried; j++) around.push(j);
      const touching = around.filter(
        (j) => strengths[j]! >= witness && strengths[j]! > strengths[i]! && touches(pieces, at, i, j, width),
      );
      if (touching.length === 0) continue;
      const weakest = touching.reduce((least, j) => Math.min(least, strengths[j]!), Number.POSITIVE_INFINITY);
      const floor = i === 0 ? 0 : at[i - 1]! + pieces[i - 1]!.count;
      const ceiling = (i + 1 < pieces.length ? at[i + 1]! : options.totalMcus) - piece.count;
      const scoreAt = (place: number): number => {
        let score = borders.rowEnds(i, place % width);
        const before = place - floor;
        score += lengthScore(gaps[i]!, before * gaps[i]!.mean, before);
        const next = gaps[i + 1]!;
        if (next.lostBits >= 0) score += lengthScore(next, (ceiling - place) * next.mean, ceiling - place);
        for (const j of touching) {
          score += (j < i ? borders.pair(i, j, place - at[j]!) : borders.pair(j, i, at[j]! - place))?.score ?? 0;
        }
        return score;
      };
      const own = scoreAt(at[i]!);
      let rival = Number.NEGATIVE_INFINITY;
      for (let place = floor; place <= ceiling; place++) {
        if (place !== at[i]! && isAllowed(piece, place, options)) rival = Math.max(rival, scoreAt(place));
      }
      strengths[i] = Math.max(strengths[i]!, Math.min(weakest, caution * (own - rival)));
    }
  }
}

/** Whether any MCU of one lies right above one of the other. */
function touches(pieces: Borders['pieces'], at: Int32Array, i: number, j: number, width: number): boolean {
  const [upper, lower] = i < j ? [i, j] : [j, i];
  const begin = at[lower]! - width;
  return at[upper]! < begin + Math.min(width, pieces[lower]!.count) && at[upper]! + pieces[upper]!.count > begin;
}
