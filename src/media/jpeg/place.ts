// Where each piece of a scan lies: all pieces at once, by a beam search in the order of the file. What counts: how many MCUs the
// bytes lost before a piece can have held, how it runs on from the pieces one row above (with one brightness for each piece),
// where its rows end, restart numbers, and the count from the end of the scan.
import { type Borders, type PairBorder, scoreOf } from './borders.js';
import { farthest } from './continuity.js';
import { type GapNeighbourhood, gapNeighbourhoods, lengthScore } from './gap-length.js';
import type { Piece } from './pieces.js';

export type Placement = {
  /** First MCU of each piece. */
  readonly at: Int32Array;
  readonly score: number;
  /** By piece and place tried: the score of the best solution that has the piece there, less that of the best of all. */
  readonly marginals: readonly ReadonlyMap<number, number>[];
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
  /** By piece and place: what else tells of it, natural units; nothing if absent. */
  readonly evidence?: readonly Float32Array[];
  /** The only places to try, by piece. */
  readonly only?: readonly (readonly number[])[];
  /** Whole solutions that are followed to the end, whatever looks better on the way: the result is no worse than any. */
  readonly chains?: readonly Int32Array[];
};

type State = {
  readonly at: number;
  score: number;
  from: State | null;
  /** All states it can follow, with the score that it has behind them. */
  readonly ways: { readonly from: State | null; readonly score: number }[];
  /** Best score of all that is to come. */
  rest: number;
  readonly index: number;
  /** Brightness to add to the piece, stored units, by component, and how uncertain (variance). */
  offset: Float64Array;
  doubt: number;
  /** The chains that it has followed so far, a bit for each. */
  chains: number;
};

/** States that are remembered of each step beside those kept, so as to tell how likely other places are. */
const mostLost = 200;
/** States kept that have the piece at one place: where there are many short pieces, their variants would crowd out all others. */
const mostAlike = 10;
/** Most that one contradiction in brightness counts against a place. */
const largestPenalty = 4;
/** What such contradictions weigh; see `borders.ts` on how weights were found. */
const brightnessWeight = 0.23;
/** Borders tell less and less beyond this: what does not fit the model adds up along them as well. */
const enough = 20;
/** Row ends count no more, for and against: an outline that runs down a picture looks like them in one piece after the other. */
const mostEnds = 7;
const mostAgainst = 14;
const unknownBrightness = 1e6;

/** Gaps that are likely to hold so many times the bits that were lost are out of the question. */
const mostTimes = 10;
/** Gaps less likely than this are not tried, nor what is so much worse than the best; more is where that leads nowhere. */
type Limits = { readonly length: number; readonly width: number; readonly depth: number };
const usual: Limits = { length: -14, width: 100, depth: 22 };
const patient: Limits = { length: -40, width: 300, depth: 100 };
/** Where few places are tried, one that looks bad at first can be followed to where it proves right. */
const narrow: Limits = { length: -40, width: 200, depth: 70 };

/** Whether the restart markers allow `piece` to begin at `at`. */
function isAllowed(
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
  if (options.only) return searchWithin(narrow, borders, options);
  return searchWithin(usual, borders, options) ?? searchWithin(patient, borders, options);
}

function searchWithin(limits: Limits, borders: Borders, options: PlaceOptions): Placement | null {
  const search = new Search(borders, options, limits);
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
  private readonly limits: Limits;
  private readonly gaps: readonly GapNeighbourhood[];
  /** MCUs in this piece and all behind it. */
  private readonly ahead: Int32Array;
  /** Bits of all MCUs in the store before each. */
  private readonly coded: Float64Array;
  private readonly expected: Float64Array;
  private readonly offset = new Float64Array(4);
  private readonly weight = new Float64Array(4);
  private doubt = 0;
  private readonly layers: { readonly kept: State[]; readonly lost: State[] }[] = [];

  constructor(borders: Borders, options: PlaceOptions, limits: Limits) {
    const { pieces } = borders;
    this.borders = borders;
    this.limits = limits;
    this.options = options;
    this.expected = new Float64Array(options.totalMcus + 2);
    this.gaps = gapNeighbourhoods(pieces, options.bits, options.lostAfter);
    this.coded = new Float64Array(options.bits.length + 1);
    for (const [m, length] of options.bits.entries()) this.coded[m + 1] = this.coded[m]! + length;
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
      const only = options.only?.[index];
      const last = piece.fixed >= 0 ? piece.fixed - end : only ? Math.min(room, Math.max(...only) - end) : room;
      if (last < 0 || last > room) continue;
      const times = piece.fixed >= 0 || only ? Number.POSITIVE_INFINITY : mostTimes;
      const most = this.expectBits(last, parent, end, gap, times);
      const tries = only ? only.length : most + 1;
      for (let n = piece.fixed >= 0 && !only ? most : 0; n < tries; n++) {
        const length = only ? only[n]! - end : n;
        if (length < 0 || length > most || !isAllowed(piece, end + length, options)) continue;
        const likelihood = lengthScore(gap, expected[length]!, this.bitsBelow(index, length, gap), length);
        if (likelihood < this.limits.length && piece.fixed < 0 && !only) continue;
        const score = this.extend(parent, index, end + length, (parent?.score ?? 0) + likelihood);
        const chains = this.chainsOf(parent, index, end + length);
        if (score < best - this.limits.depth && chains === 0) continue;
        if (score > best) best = score;
        const key = this.keyOf(parent, index, end + length, width);
        const state = found.get(key);
        if (!state) {
          const offset = this.offset.slice(0, components);
          const ways = [{ from: parent, score }];
          const rest = Number.NEGATIVE_INFINITY;
          found.set(key, {
            at: end + length,
            score,
            from: parent,
            ways,
            rest,
            index,
            offset,
            doubt: this.doubt,
            chains,
          });
          continue;
        }
        state.ways.push({ from: parent, score });
        state.chains |= chains;
        if (state.score >= score) continue;
        state.score = score;
        state.from = parent;
        state.offset = this.offset.slice(0, components);
        state.doubt = this.doubt;
      }
    }
    const good = [...found.values()].filter(({ score, chains }) => chains > 0 || score >= best - this.limits.depth);
    good.sort((a, b) => b.score - a.score);
    const kept: State[] = [];
    const lost: State[] = [];
    const byPlace = new Map<number, number>();
    for (const state of good) {
      const alike = byPlace.get(state.at) ?? 0;
      byPlace.set(state.at, alike + 1);
      const some = alike < mostAlike && kept.length < this.limits.width;
      (some || state.chains > 0 ? kept : lost).push(state);
    }
    this.layers.push({ kept, lost: lost.slice(0, mostLost) });
    return kept;
  }

  private chainsOf(parent: State | null, index: number, at: number): number {
    const { chains = [] } = this.options;
    let result = 0;
    for (const [n, chain] of chains.entries()) if (chain[index] === at) result |= 1 << n;
    return parent ? result & parent.chains : result;
  }

  /** How much worse the best solution is that has a piece at another place; what the beam lost counts as it stood then. */
  private marginals(total: number): Map<number, number>[] {
    const result = this.layers.map(() => new Map<number, number>());
    for (let i = this.layers.length - 1; i >= 0; i--) {
      const { kept, lost } = this.layers[i]!;
      let best = Number.NEGATIVE_INFINITY;
      for (const { score, rest } of kept) if (rest > Number.NEGATIVE_INFINITY) best = Math.max(best, score);
      for (const state of lost)
        if (state.score > best - this.limits.depth) state.rest = Math.min(total - best, total - state.score);
      for (const state of [...kept, ...lost]) {
        const { at, score, rest, ways } = state;
        if (rest === Number.NEGATIVE_INFINITY) continue;
        result[i]!.set(at, Math.max(result[i]!.get(at) ?? Number.NEGATIVE_INFINITY, score + rest - total));
        for (const { from, score: behind } of ways) {
          if (from) from.rest = Math.max(from.rest, rest + behind - from.score);
        }
      }
    }
    return result;
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
      this.expectBits(length, state, end, gap, Number.POSITIVE_INFINITY);
      const sum = this.expected[length]!;
      const total = state.score + (gap.lostBits < 0 ? 0 : lengthScore(gap, sum, sum, length));
      state.rest = total - state.score;
      if (total > score) [last, score] = [state, total];
    }
    if (!last) return null;
    const at = new Int32Array(pieces.length);
    for (let state: State | null = last; state; state = state.from) at[state.index] = state.at;
    return { at, score, marginals: this.marginals(score) };
  }

  /**
   * Fills `expected` with the bits that the first 0, 1, … `most` MCUs from `end` are likely to have: as those above them.
   *
   * @param times the bits lost at which there are enough of them
   * @returns how many there are
   */
  private expectBits(
    most: number,
    parent: State | null,
    end: number,
    { mean, lostBits }: GapNeighbourhood,
    times: number,
  ): number {
    const { expected } = this;
    const { pieces, width } = this.borders;
    const { bits } = this.options;
    const row = Math.min(width, most);
    expected.fill(-1, 1, row + 1);
    for (let rows = 1, open = row; rows <= farthest && open > 0; rows++) {
      const begin = end - rows * width;
      for (let upper = parent; upper && upper.at + pieces[upper.index]!.count > begin; upper = upper.from) {
        const { first, count } = pieces[upper.index]!;
        const shift = first + begin - upper.at;
        const stop = Math.min(row, upper.at + count - begin);
        for (let g = Math.max(0, upper.at - begin); g < stop; g++) {
          if (expected[g + 1]! >= 0) continue;
          expected[g + 1] = 0.25 * mean + 0.75 * bits[shift + g]!;
          open--;
        }
      }
    }
    expected[0] = 0;
    for (let g = 1; g <= row; g++) expected[g] = expected[g - 1]! + (expected[g]! < 0 ? mean : expected[g]!);
    const enough = times * (lostBits + mean);
    let g = row;
    for (; g < most && expected[g]! < enough; g++)
      expected[g + 1] = expected[g]! + expected[g + 1 - width]! - expected[g - width]!;
    return g;
  }

  /** The bits that `length` MCUs right before piece `index` are likely to have: as those below them. */
  private bitsBelow(index: number, length: number, { mean }: GapNeighbourhood): number {
    const { coded } = this;
    const { width } = this.borders;
    const { first, count } = this.borders.pieces[index]!;
    const known = Math.min(width, count);
    const rest = length % width;
    const from = Math.min(known, width - rest);
    const row = coded[first + known]! - coded[first]! + (width - known) * mean;
    const part = coded[first + known]! - coded[first + from]!;
    return ((length - rest) / width) * row + part + (rest - (known - from)) * mean;
  }

  /** The score with the piece at `at`; leaves its brightness in `offset` and `doubt`. */
  private extend(parent: State | null, index: number, at: number, sofar: number): number {
    const { borders, offset, weight } = this;
    const { pieces, width } = borders;
    const absolute = pieces[index]!.floating === 0;
    const ends = borders.rowEnds(index, at % width);
    let score = sofar + ends / (1 + (ends > 0 ? ends / mostEnds : -ends / mostAgainst));
    score += this.options.evidence?.[index]?.[at] ?? 0;
    let match = 0;
    offset.fill(0);
    weight.fill(0);
    this.doubt = absolute ? 0 : unknownBrightness;
    // Each MCU of the first row is compared with the nearest above it, at most `rows` of the borders up.
    const stop = Math.min(width, pieces[index]!.count);
    let open = [0, stop];
    for (let rows = 1; rows <= borders.rows && open.length > 0; rows++) {
      const row = at - rows * width;
      let left = open;
      for (let upper = parent; upper && upper.at + pieces[upper.index]!.count > row; upper = upper.from) {
        const from = upper.at - row;
        if (from >= stop) continue;
        const to = from + pieces[upper.index]!.count;
        const rest: number[] = [];
        let border: PairBorder | null = null;
        for (let n = 0; n < left.length; n += 2) {
          const [a, b] = [left[n]!, left[n + 1]!];
          if (to <= a || from >= b) {
            rest.push(a, b);
            continue;
          }
          border ??= borders.pair(index, upper.index, at - upper.at, rows);
          match += scoreOf(border!, Math.max(a, from), Math.min(b, to), rows);
          if (a < from) rest.push(a, from);
          if (to < b) rest.push(to, b);
        }
        left = rest;
        if (border) score -= brightnessWeight * this.weigh(border, upper, absolute);
      }
      open = left;
    }
    return score + (match > 0 ? enough * Math.log(1 + match / enough) : match);
  }

  /** Takes the brightness that a border asks for into account; returns what contradiction costs. */
  private weigh(border: PairBorder, upper: State, absolute: boolean): number {
    const { offset, weight } = this;
    let penalty = 0;
    for (let c = 0; c < this.borders.components; c++) {
      const wanted = upper.offset[c]! + border.difference[c]!;
      const variance = border.variance[c]!;
      if (absolute) {
        if (upper.doubt < unknownBrightness) {
          penalty += Math.min(largestPenalty, wanted ** 2 / (2 * (variance + upper.doubt)));
        }
      } else if (weight[c] === 0) {
        offset[c] = wanted;
        weight[c] = 1 / variance;
      } else {
        const off = wanted - offset[c]!;
        penalty += Math.min(largestPenalty, off ** 2 / (2 * (variance + 1 / weight[c]! + 16)));
        weight[c]! += 1 / variance;
        offset[c]! += off / variance / weight[c]!;
      }
    }
    if (!absolute) this.doubt = Math.min(this.doubt, upper.doubt + border.variance[0]!);
    return penalty;
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
