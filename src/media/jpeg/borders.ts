// What pieces tell of each other's place: the border between one piece and a piece one row above, and the row ends inside a piece.
// All are numbers that depend on few whole numbers, so each is worked out once.
import { addBorderScores, borderScore, brightnessOffsets, type Continuity, farthest } from './continuity.js';
import type { Edges } from './edges.js';
import type { Piece } from './pieces.js';

/** Blocks of 8 pixels over which pieces are compared. */
const mostBlocks = 6;
/**
 * Weights in the sum of evidence, as differences along a border are not independent of each other. These, and those of `place.ts`,
 * were fitted by conditional logistic regression: the true place of each piece among all that it could have, with all before it in
 * their places, on the photographs that the bench tunes on.
 */
const downWeight = 0.88;
/** By rows between the two less one, the last for all beyond: what slants is somewhere else two rows on. */
const acrossWeights = [0.235, 0.11, 0.11, 0.075];
/** The same for how many rows lie between, and the most that this counts. */
const distanceWeight = 0.11;
const mostDistance = 15;
/** A brightness offset found at a border of n MCUs is uncertain by spread / sqrt(n / this). */
const correlatedMcus = 4;

/** Along longer borders only every second, third, … MCU is looked at. */
const mostMcus = 40;

/** What two rows that do not match count against a place, at first: an outline along the row is in many pictures. */
const contradiction = -14;
const beyondContradiction = 0.17;

export type PairBorder = {
  /** MCUs of the lower piece that lie under the upper one, from its begin; `to` exclusive. */
  readonly from: number;
  readonly to: number;
  /** Log-likelihood ratios of every `step`-th of them with the best brightness offset, summed up from `from`, for each distance. */
  readonly sums: Float32Array;
  readonly step: number;
  /** Brightness of the lower piece less that of the upper, as stored, by component; stored units. */
  readonly difference: readonly number[];
  /** Variance of that, by component. */
  readonly variance: readonly number[];
};

/**
 * What the part `[a, b)` of a border counts. That rows belong under each other is told by the distance that suits them best; which
 * distance it is they tell badly, as a smooth part of a picture is smooth everywhere.
 */
export function scoreOf({ from, to, sums, step }: PairBorder, a: number, b: number, rows: number): number {
  const begin = Math.ceil((Math.max(a, from) - from) / step);
  const end = Math.ceil((Math.min(b, to) - from) / step);
  if (end <= begin) return 0;
  const stride = sums.length / farthest;
  let best = Number.NEGATIVE_INFINITY;
  for (let at = 0; at < sums.length; at += stride) best = Math.max(best, sums[at + end]! - sums[at + begin]!);
  const at = stride * (Math.min(rows, farthest) - 1);
  const own = sums[at + end]! - sums[at + begin]!;
  let score = acrossWeights[Math.min(rows, acrossWeights.length) - 1]! * step * best;
  if (score < contradiction) score = contradiction + beyondContradiction * (score - contradiction);
  return score - Math.min(mostDistance, distanceWeight * step * (best - own));
}

export class Borders {
  /** Of the lower piece asked for last: by how far above the upper one is in their order, then by shift. */
  private pairs: Map<number, PairBorder | null>[] = [];
  private current = -1;
  private readonly offsets = new Float64Array(4);
  private readonly ends: Map<number, Float64Array>;
  readonly pieces: readonly Piece[];
  readonly width: number;
  readonly components: number;
  /** Rows over which pieces are compared; those further apart than `farthest` as if they were not. */
  readonly rows: number;
  private readonly edges: Edges;
  readonly along: Continuity;
  readonly between: Continuity;

  /**
   * @param along how rows run on, and `between` how they lie under each other
   * @param width MCUs in a row
   * @param earlier of the same pieces, edges and `along`
   */
  constructor(
    pieces: readonly Piece[],
    edges: Edges,
    along: Continuity,
    between: Continuity,
    width: number,
    earlier: Borders | null = null,
  ) {
    this.ends = earlier?.ends ?? new Map();
    this.pieces = pieces;
    this.edges = edges;
    this.along = along;
    this.between = between;
    this.width = width;
    this.rows = Math.max(1, Math.floor(mostBlocks / edges.downSlots.filter((slot) => slot === 0).length));
    this.components = 1 + (Math.max(...edges.acrossSlots) >> 2);
  }

  /**
   * @param shift MCUs from the begin of piece `upper` to the begin of piece `lower`
   * @param rows how far below it the lower one is looked at; 1 where they touch
   * @returns `null` where nothing lies so
   */
  pair(lower: number, upper: number, shift: number, rows: number): PairBorder | null {
    if (lower !== this.current) {
      this.current = lower;
      this.pairs = [];
    }
    this.pairs[lower - upper] ??= new Map();
    const byShift = this.pairs[lower - upper]!;
    const key = shift * this.rows + rows - 1;
    const known = byShift.get(key);
    if (known !== undefined) return known;
    const border = this.measure(this.pieces[lower]!, this.pieces[upper]!, shift - rows * this.width, rows);
    byShift.set(key, border);
    return border;
  }

  private measure(lower: Piece, upper: Piece, shift: number, rows: number): PairBorder | null {
    const from = Math.max(0, -shift);
    const to = Math.min(lower.count, this.width, upper.count - shift);
    if (to <= from) return null;
    const { across, top, bottom, acrossSlots, roughness } = this.edges;
    const mcus = to - from;
    const offsets = this.offsets.fill(0);
    const known = lower.floating === 0 && upper.floating === 0;
    const lowerAt: number[] = [];
    const upperAt: number[] = [];
    const step = Math.ceil(mcus / mostMcus);
    for (let i = from; i < to; i += step) {
      lowerAt.push((lower.first + i) * across);
      upperAt.push((upper.first + i + shift) * across);
    }
    if (!known) brightnessOffsets(top, lowerAt, bottom, upperAt, acrossSlots, offsets);
    const { spread, together } = this.between;
    const difference: number[] = [];
    const variance: number[] = [];
    for (let c = 0; c < this.components; c++) {
      const typical = spread[Math.min(rows, farthest) - 1]![c]!;
      difference.push(offsets[c]!);
      variance.push((typical ** 2 * 2 * correlatedMcus) / (mcus + correlatedMcus - 1) + 1);
    }
    const sums = new Float32Array(farthest * (lowerAt.length + 1));
    addBorderScores(together, top, lowerAt, bottom, upperAt, acrossSlots, offsets, roughness, sums);
    return { from, to, sums, step, difference, variance };
  }

  /** Log-likelihood ratio that piece `index` has its row ends where they fall when it begins in column `column`. */
  rowEnds(index: number, column: number): number {
    const piece = this.pieces[index]!;
    let table = this.ends.get(index);
    if (!table) {
      table = this.measureEnds(piece);
      this.ends.set(index, table);
    }
    let sum = 0;
    for (let m = this.width - column; m < piece.count; m += this.width) sum += table[m]!;
    return sum;
  }

  private measureEnds({ first, count }: Piece): Float64Array {
    const { down, left, right, downSlots, roughness } = this.edges;
    const none = new Float64Array(4);
    const worth = this.along.worth[0]!;
    const scores = new Float64Array(count);
    for (let m = 1, at = (first + 1) * down; m < count; m++, at += down)
      scores[m] = -downWeight * borderScore(worth, right, at - down, left, at, downSlots, none, roughness);
    return scores;
  }
}
