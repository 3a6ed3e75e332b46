// How many MCUs the bytes that were lost can have held, from the coded lengths of those around the gap. See `borders.ts` on how the
// numbers were found.
import type { Piece } from './pieces.js';

/** What the neighbourhood of a gap tells of the coded length of its MCUs, bits. */
export type GapNeighbourhood = {
  readonly lostBits: number;
  readonly mean: number;
  readonly deviation: number;
  /** Nothing is known on one side of it. */
  readonly oneSided: boolean;
};

/** MCUs on either side that count as near. */
const reach = 40;

/** From the coded lengths of the MCUs on both sides of each gap: the one before each piece, and the one behind the last. */
export function gapNeighbourhoods(pieces: readonly Piece[], bits: Uint16Array, lostAfter: number): GapNeighbourhood[] {
  return Array.from({ length: pieces.length + 1 }, (_, i) => {
    const near: number[] = [];
    const before = pieces[i - 1];
    const piece = pieces[i];
    if (before)
      for (let m = Math.max(0, before.count - reach); m < before.count; m++) near.push(bits[before.first + m]!);
    if (piece) for (let m = 0; m < Math.min(reach, piece.count); m++) near.push(bits[piece.first + m]!);
    const mean = near.reduce((sum, length) => sum + length, 0) / near.length;
    const square = near.reduce((sum, length) => sum + (length - mean) ** 2, 0) / near.length;
    return {
      lostBits: piece ? piece.lostBits : lostAfter,
      mean,
      deviation: Math.sqrt(square),
      oneSided: !before || !piece,
    };
  });
}

/**
 * Log-density of a gap of `length` MCUs that have `above` bits if they are as those above them, `below` if as those below: a normal
 * one of the logarithm, the wider the less the two agree and the fewer MCUs there are; and, now and then, there is something in the
 * gap that neither of them shows.
 */
export function lengthScore(
  { lostBits, mean, deviation, oneSided }: GapNeighbourhood,
  above: number,
  below: number,
  length: number,
): number {
  if (lostBits === 0) return length === 0 ? 0 : -2 - length;
  const least = 0.25 * mean;
  const ratio = Math.log((lostBits + least) / ((above + below) / 2 + least));
  const agreement = Math.log((above + least) / (below + least));
  const count = Math.max(1, lostBits / mean);
  const own = (0.45 * (deviation / mean) ** 2 + 0.85) / count;
  const variance = own + 0.09 * agreement ** 2 + 0.0005 + (oneSided ? 0.01 : 0);
  return Math.max(-(ratio ** 2) / 2 / variance, -5.8 - (ratio > 0 ? ratio / 0.117 : -ratio / 0.039));
}
