// Where each piece of a scan lies: all pieces at once, by a beam search in the order of the file. What counts: how many MCUs the
// bytes lost before a piece can have held, how it runs on from the pieces one row above (with one brightness for each piece),
// where its rows end, restart numbers, and the count from the end of the scan.
import type { Borders } from './borders.js';
import type { Piece } from './pieces.js';

export type Placement = {
  /** First MCU of each piece. */
  readonly at: Int32Array;
  readonly score: number;
};

export type PlaceOptions = {
  readonly totalMcus: number;
  readonly restartInterval: number;
  /** Coded length of each MCU in the store, bits. */
  readonly bits: Uint16Array;
  /** Bits lost behind the last piece, -1 where that is not known. */
  readonly lostAfter: number;
  /** Pieces and edges are turned by half a turn: places count from the end. */
  readonly turned?: boolean;
  /** The only places to try, by piece. */
  readonly only?: readonly (readonly number[])[];
};

type State = {
  readonly at: number;
  readonly score: number;
  readonly from: State | null;
  readonly index: number;
  /** Brightness to add to the piece, stored units, by component, and how uncertain (variance). */
  readonly offset: Float64Array;
  readonly doubt: number;
};

/** What the neighbourhood of a gap tells of the coded length of its MCUs, bits. */
export type GapNeighbourhood = { readonly lostBits: number; readonly mean: number; readonly deviation: number };

const beamWidth = 150;
const beamDepth = 22;
const mostPlaces = 2000;
const reach = 40;
/** Most that one contradiction in brightness counts against a place. */
const largestPenalty = 4;
const unknownBrightness = 1e6;

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
    return { lostBits: piece ? piece.lostBits : lostAfter, mean, deviation: Math.sqrt(square) };
  });
}

/**
 * Log-density of a gap of `length` MCUs that are expected to have `sum` bits: Student's t with four degrees of freedom in the
 * logarithm, as the neighbourhood may tell little; but MCUs of many times its length are out of the question.
 */
export function lengthScore({ lostBits, mean, deviation }: GapNeighbourhood, sum: number, length: number): number {
  if (lostBits === 0) return length === 0 ? 0 : -2 - length;
  const ratio = Math.log((lostBits + 0.25 * mean) / (sum + 0.25 * mean));
  const count = Math.max(1, lostBits / mean);
  const doubt = 0.17 ** 2 + ((deviation / mean) ** 2 + 0.1) / count;
  const beyond = Math.max(0, Math.abs(ratio) - 1);
  return -2.5 * Math.log(1 + ratio ** 2 / doubt / 4) - 4 * beyond ** 2;
}

/** Gaps less likely than this are not tried. */
const leastLength = -8;

/** Whether the restart markers allow `piece` to begin at `at`. */
export function isAllowed(
  piece: Piece,
  at: number,
  { totalMcus, restartInterval, turned }: Pick<PlaceOptions, 'totalMcus' | 'restartInterval' | 'turned'>,
): boolean {
  if (at < 0 || at + piece.count > totalMcus) return false;
  if (piece.fixed >= 0) return at === piece.fixed;
  if (restartInterval === 0) return true;
  const place = turned ? totalMcus - at - piece.count : at;
  if (piece.restart === null) return (place % restartInterval) + piece.count <= restartInterval;
  const begin = place + piece.restart.at;
  return begin % restartInterval === 0 && (begin / restartInterval - 1 - piece.restart.number) % 8 === 0;
}

/** @returns `null` where no places fit all that is certain */
export function placePieces(borders: Borders, options: PlaceOptions): Placement | null {
  const search = new Search(borders, options);
  let beam: (State | null)[] = [null];
  for (let i = 0; i < borders.pieces.length; i++) {
    beam = search.step(beam, i);
    if (beam.length === 0) return null;
  }
  return search.best(beam as State[]);
}

class Search {
  private readonly borders: Borders;
  private readonly options: PlaceOptions;
  private readonly gaps: readonly GapNeighbourhood[];
  /** MCUs in this piece and all behind it. */
  private readonly ahead: Int32Array;
  private readonly expected = new Float64Array(mostPlaces + 2);
  private readonly offset = new Float64Array(4);
  private readonly weight = new Float64Array(4);
  private doubt = 0;

  constructor(borders: Borders, options: PlaceOptions) {
    const { pieces } = borders;
    this.borders = borders;
    this.options = options;
    this.gaps = gapNeighbourhoods(pieces, options.bits, options.lostAfter);
    this.ahead = new Int32Array(pieces.length + 1);
    for (let i = pieces.length - 1; i >= 0; i--) this.ahead[i] = this.ahead[i + 1]! + pieces[i]!.count;
  }

  /** Puts piece `index` behind each state; keeps the best, one for all that differ in nothing that is to come. */
  step(beam: readonly (State | null)[], index: number): State[] {
    const { pieces, width, components } = this.borders;
    const { options, expected } = this;
    const piece = pieces[index]!;
    const gap = this.gaps[index]!;
    const found = new Map<number, State>();
    let best = Number.NEGATIVE_INFINITY;
    for (const parent of beam) {
      const end = parent ? parent.at + pieces[index - 1]!.count : 0;
      const room = options.totalMcus - this.ahead[index]! - end;
      const likely = Math.ceil(4 * (gap.lostBits / gap.mean)) + 8;
      const most = Math.min(
        mostPlaces,
        room,
        piece.fixed >= 0 ? piece.fixed - end : likely + 8 * options.restartInterval,
      );
      if (most < 0) continue;
      this.expectBits(most, parent, end, gap);
      const only = options.only?.[index];
      const tries = only ? only.length : most + 1;
      for (let n = piece.fixed >= 0 && !only ? most : 0; n < tries; n++) {
        const length = only ? only[n]! - end : n;
        if (length < 0 || length > most || !isAllowed(piece, end + length, options)) continue;
        const likelihood = lengthScore(gap, expected[length]!, length);
        if (likelihood < leastLength && piece.fixed < 0 && !only) continue;
        const score = this.extend(parent, index, end + length, (parent?.score ?? 0) + likelihood);
        if (score < best - beamDepth) continue;
        if (score > best) best = score;
        const key = this.keyOf(parent, index, end + length, width);
        const rival = found.get(key);
        if (rival && rival.score >= score) continue;
        const offset = this.offset.slice(0, components);
        found.set(key, { at: end + length, score, from: parent, index, offset, doubt: this.doubt });
      }
    }
    const kept = [...found.values()].filter(({ score }) => score >= best - beamDepth);
    kept.sort((a, b) => b.score - a.score);
    if (kept.length > beamWidth) kept.length = beamWidth;
    return kept;
  }

  /** The best of the last states, what is lost behind it counted too. */
  best(beam: readonly State[]): Placement | null {
    const { pieces } = this.borders;
    const gap = this.gaps[pieces.length]!;
    let last: State | null = null;
    let score = Number.NEGATIVE_INFINITY;
    for (const state of beam) {
      const end = state.at + pieces[state.index]!.count;
      const length = this.options.totalMcus - end;
      this.expectBits(Math.min(length, mostPlaces), state, end, gap);
      const sum = length > mostPlaces ? length * gap.mean : this.expected[length]!;
      const total = state.score + (gap.lostBits < 0 ? 0 : lengthScore(gap, sum, length));
      if (total > score) [last, score] = [state, total];
    }
    if (!last) return null;
    const at = new Int32Array(pieces.length);
    for (let state: State | null = last; state; state = state.from) at[state.index] = state.at;
    return { at, score };
  }

  /** Fills `expected` with the bits that the first 0, 1, … `most` MCUs from `end` are likely to have: as those above them. */
  private expectBits(most: number, parent: State | null, end: number, { mean }: GapNeighbourhood): void {
    const { expected } = this;
    const { pieces, width } = this.borders;
    const { bits } = this.options;
    expected.fill(mean, 1, most + 1);
    expected[0] = 0;
    for (let upper = parent; upper; upper = upper.from) {
      const { first, count } = pieces[upper.index]!;
      if (upper.at + count <= end - width) break;
      const shift = first + end - width - upper.at;
      const stop = Math.min(most, upper.at + count + width - end);
      for (let g = Math.max(0, upper.at + width - end); g < stop; g++) {
        expected[g + 1] = 0.25 * mean + 0.75 * bits[shift + g]!;
      }
    }
    for (let g = 1; g <= most; g++) expected[g]! += expected[g - 1]!;
  }

  /** The score with the piece at `at`; leaves its brightness in `offset` and `doubt`. */
  private extend(parent: State | null, index: number, at: number, sofar: number): number {
    const { borders, offset, weight } = this;
    const { pieces, width, components } = borders;
    const absolute = pieces[index]!.floating === 0;
    let score = sofar + borders.rowEnds(index, at % width);
    offset.fill(0);
    weight.fill(0);
    this.doubt = absolute ? 0 : unknownBrightness;
    for (let upper = parent; upper && upper.at + pieces[upper.index]!.count > at - width; upper = upper.from) {
      const border = borders.pair(index, upper.index, at - upper.at);
      if (!border) continue;
      score += border.score;
      for (let c = 0; c < components; c++) {
        const wanted = upper.offset[c]! + border.difference[c]!;
        const variance = border.variance[c]!;
        if (absolute) {
          if (upper.doubt < unknownBrightness) {
            score -= Math.min(largestPenalty, wanted ** 2 / (2 * (variance + upper.doubt)));
          }
        } else if (weight[c] === 0) {
          offset[c] = wanted;
          weight[c] = 1 / variance;
        } else {
          const off = wanted - offset[c]!;
          score -= Math.min(largestPenalty, off ** 2 / (2 * (variance + 1 / weight[c]! + 16)));
          weight[c]! += 1 / variance;
          offset[c]! += off / variance / weight[c]!;
        }
      }
      if (!absolute) this.doubt = Math.min(this.doubt, upper.doubt + border.variance[0]!);
    }
    return score;
  }

  /** The same for two states that have all pieces still in reach at the same places. */
  private keyOf(parent: State | null, index: number, at: number, width: number): number {
    const { pieces } = this.borders;
    const reached = at + pieces[index]!.count - width;
    let low = at;
    let high = at;
    for (let upper = parent; upper && upper.at + pieces[upper.index]!.count > reached; upper = upper.from) {
      low = (Math.imul(low, 0x9e3779b1) ^ upper.at) >>> 0;
      high = (Math.imul(high, 0x85ebca6b) + upper.at) & 0xfffff;
    }
    return (low ^ (high << 7)) & 0x3fffffff;
  }
}
