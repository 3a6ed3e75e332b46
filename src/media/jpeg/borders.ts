// What pieces tell of each other's place: the border between one piece and a piece one row above, and the row ends inside a piece.
// All are numbers that depend on few whole numbers, so each is worked out once.
import { borderScore, brightnessOffsets, type Continuity } from './continuity.js';
import type { Edges } from './edges.js';
import type { Piece } from './pieces.js';

/** Weight of one border against another piece of evidence: differences along a border are not independent of each other. */
const acrossWeight = 0.5;
const downWeight = 0.35;
/** A brightness offset found at a border of n MCUs is uncertain by spread / sqrt(n / this). */
const correlatedMcus = 4;

/** Along longer borders only every second, third, … MCU is looked at. */
const mostMcus = 80;

/** What two rows that do not match count against a place, at first: an outline along the row is in many pictures. */
const contradiction = -8;

export type PairBorder = {
  /** Log-likelihood ratio, with the best brightness offset. */
  readonly score: number;
  /** Brightness of the lower piece less that of the upper, as stored, by component; stored units. */
  readonly difference: Float64Array;
  /** Variance of that, by component; `null` where there is no common border. */
  readonly variance: Float64Array;
  readonly mcus: number;
};

export class Borders {
  /** By lower piece, then by how far above the upper one is in their order, then by shift. */
  private readonly pairs: Map<number, PairBorder | null>[][];
  private readonly ends = new Map<number, Float64Array>();
  readonly pieces: readonly Piece[];
  readonly width: number;
  readonly components: number;
  private readonly edges: Edges;
  readonly along: Continuity;
  readonly between: Continuity;

  /**
   * @param along how rows run on, and `between` how they lie under each other
   * @param width MCUs in a row
   */
  constructor(pieces: readonly Piece[], edges: Edges, along: Continuity, between: Continuity, width: number) {
    this.pieces = pieces;
    this.edges = edges;
    this.along = along;
    this.between = between;
    this.width = width;
    this.pairs = pieces.map(() => []);
    this.components = 1 + (Math.max(...edges.acrossSlots) >> 2);
  }

  /** @param shift MCUs from the begin of piece `upper` to the begin of piece `lower`; `null` where nothing touches */
  pair(lower: number, upper: number, shift: number): PairBorder | null {
    const byShift = (this.pairs[lower]![lower - upper] ??= new Map());
    const known = byShift.get(shift);
    if (known !== undefined) return known;
    const border = this.measure(this.pieces[lower]!, this.pieces[upper]!, shift - this.width);
    byShift.set(shift, border);
    return border;
  }

  private measure(lower: Piece, upper: Piece, shift: number): PairBorder | null {
    const from = Math.max(0, -shift);
    const to = Math.min(lower.count, this.width, upper.count - shift);
    if (to <= from) return null;
    const { across, top, bottom, acrossSlots } = this.edges;
    const mcus = to - from;
    const offsets = new Float64Array(4);
    const variance = new Float64Array(this.components);
    const known = lower.floating === 0 && upper.floating === 0;
    const lowerAt: number[] = [];
    const upperAt: number[] = [];
    const step = Math.ceil(mcus / mostMcus);
    for (let i = from; i < to; i += step) {
      lowerAt.push((lower.first + i) * across);
      upperAt.push((upper.first + i + shift) * across);
    }
    if (!known) brightnessOffsets(top, lowerAt, bottom, upperAt, acrossSlots, offsets);
    for (let c = 0; c < this.components; c++) {
      variance[c] = (this.between.spread[c]! ** 2 * 2 * correlatedMcus) / (mcus + correlatedMcus - 1) + 1;
    }
    let score = 0;
    for (let i = 0; i < lowerAt.length; i++) {
      score += step * borderScore(this.between, top, lowerAt[i]!, bottom, upperAt[i]!, acrossSlots, offsets);
    }
    score *= acrossWeight;
    if (score < contradiction) score = contradiction + 0.1 * (score - contradiction);
    return { score, difference: offsets.subarray(0, this.components), variance, mcus };
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
    const { down, left, right, downSlots } = this.edges;
    const none = new Float64Array(4);
    return Float64Array.from({ length: count }, (_, m) => {
      if (m === 0) return 0;
      const at = (first + m) * down;
      return -downWeight * borderScore(this.along, right, at - down, left, at, downSlots, none);
    });
  }
}
