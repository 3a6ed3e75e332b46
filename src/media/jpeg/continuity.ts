// How likely it is that two MCUs are neighbours: log-likelihood ratios of the differences along their common border, against
// MCUs that are only near each other. The scales are measured in the picture itself, inside the pieces, where neighbours are known.
import { type Edges, roughest } from './edges.js';
import type { Piece } from './pieces.js';

const bins = roughest + 1;
const slots = 16;
/** One difference weighs no more than this, in natural units: there are edges in every picture. */
const largest = 3;

/** Sizes of a difference that are told apart: 0, 1, 2 to 3, 4 to 7, … stored units. */
const sizes = 13;

/** Distances that are told apart, in MCUs or rows of them: 1 is next to each other; what lies further away tells nothing. */
export const farthest = 3;

/** All by distance less one. */
export type Continuity = {
  /** Per roughness, slot and size of the difference: what it counts for this distance against none in particular. */
  readonly worth: readonly Float32Array[];
  /** The same numbers, those of all distances (`farthest` is 3) next to each other, four places for each. */
  readonly together: Float32Array;
  /** Mean absolute difference of brightness (slot 0 of each component), in stored units. */
  readonly spread: readonly Float64Array[];
  /** How often each size occurs at each distance, and last between MCUs that are far apart: the shares behind `worth`. */
  readonly shares: readonly Float64Array[];
};

function sizeOf(difference: number): number {
  const size = 32 - Math.clz32(difference < 0 ? -difference : difference);
  return size < sizes ? size : sizes - 1;
}

/** Where the numbers for the mean roughness of two MCUs begin. */
function binOf(roughness: Uint8Array, at: number, bt: number, size: number): number {
  return ((roughness[at / size]! + roughness[bt / size]!) >> 1) * slots;
}

/** Counts over many borders: sizes of the differences by distance (the last: far apart), roughness and slot. */
class Counts {
  private readonly counts = Array.from({ length: farthest + 1 }, () => new Float64Array(bins * slots * sizes));
  private readonly spread = Array.from({ length: farthest + 1 }, () => new Float64Array(4));
  private readonly spreads = Array.from({ length: farthest + 1 }, () => new Float64Array(4));

  /** @param distance less one */
  add(
    distance: number,
    a: Int16Array,
    at: number,
    b: Int16Array,
    bt: number,
    slotOf: Uint8Array,
    offsets: Float64Array,
    roughness: Uint8Array,
  ): void {
    const bin = binOf(roughness, at, bt, slotOf.length);
    const counts = this.counts[distance]!;
    for (let i = 0; i < slotOf.length; i++) {
      const slot = slotOf[i]!;
      let difference = a[at + i]! - b[bt + i]!;
      if ((slot & 3) === 0) {
        difference += offsets[slot >> 2]!;
        this.spread[distance]![slot >> 2]! += Math.abs(difference);
        this.spreads[distance]![slot >> 2]!++;
      }
      counts[(bin + slot) * sizes + sizeOf(difference)]!++;
    }
  }

  /** @param leaning what to lean on where there are few examples */
  result(leaning: Continuity | null): Continuity {
    const measured = this.counts.map((counts, d) => shares(counts, leaning?.shares[d] ?? null));
    const far = measured[farthest]!;
    const worth = measured
      .slice(0, farthest)
      .map((near) =>
        Float32Array.from(near, (share, i) => Math.max(-largest, Math.min(largest, Math.log(share / far[i]!)))),
      );
    const together = new Float32Array(4 * far.length);
    for (const [d, values] of worth.entries()) for (const [i, value] of values.entries()) together[4 * i + d] = value;
    const spread = this.spread.map((sums, d) =>
      sums.map((sum, c) =>
        Math.max(1, (1.25 * (sum + 30 * (leaning?.spread[d]?.[c] ?? 20))) / (this.spreads[d]![c]! + 30)),
      ),
    );
    return { worth, together, spread, shares: measured };
  }
}

function shares(counts: Float64Array, leaning: Float64Array | null): Float64Array {
  const prior = 40;
  const result = new Float64Array(counts.length);
  for (let from = 0; from < counts.length; from += sizes) {
    const total = counts.subarray(from, from + sizes).reduce((sum, count) => sum + count, 0);
    for (let i = from; i < from + sizes; i++) {
      result[i] = (counts[i]! + prior * (leaning?.[i] ?? 1 / sizes) + 0.5) / (total + prior + 0.5 * sizes);
    }
  }
  return result;
}

const none = new Float64Array(4);
/** Examples that are enough. */
const most = 12_000;
/** MCUs this far apart are taken as having nothing to do with each other. */
const apart = 8;

/** Borders between MCUs that follow each other in a row, from the pieces themselves: one row end in many does not matter. */
export function measureAlong({ down, left, right, downSlots, roughness }: Edges, pieces: readonly Piece[]): Continuity {
  const counts = new Counts();
  const total = pieces.reduce((sum, { count }) => sum + count, 0);
  const step = Math.max(1, Math.floor(total / most));
  for (const { first, count } of pieces) {
    for (let m = first; m < first + count; m += step) {
      for (let d = 0; d <= farthest; d++) {
        const other = m + (d < farthest ? d + 1 : apart + (m % 5));
        if (other < first + count) counts.add(d, right, m * down, left, other * down, downSlots, none, roughness);
      }
    }
  }
  return counts.result(null);
}

const chunkMcus = 48;
const fewest = 12;

/**
 * Borders between rows, where both sides are placed; the brightness is taken as unknown, as between pieces.
 *
 * @param source the MCU in the store by MCU of the picture, -1 where none is placed
 * @param width MCUs in a row
 */
export function measureBetween(
  { across, top, bottom, acrossSlots, roughness }: Edges,
  source: Int32Array,
  width: number,
  leaning: Continuity,
): Continuity {
  const counts = new Counts();
  const offsets = new Float64Array(4);
  const lags = Array.from({ length: farthest }, (_, d) => (d + 1) * width);
  lags.push(width + apart, 2 * width - apart, 3 * width + apart);
  // Every chunk of a large picture would be more than is needed.
  const step = chunkMcus * Math.max(1, Math.floor(source.length / most));
  for (let begin = width; begin + chunkMcus <= source.length; begin += step) {
    for (const [n, lag] of lags.entries()) {
      const lower: number[] = [];
      const upper: number[] = [];
      for (let t = begin; t < begin + chunkMcus; t++) {
        if (t < lag || source[t]! < 0 || source[t - lag]! < 0) continue;
        lower.push(source[t]! * across);
        upper.push(source[t - lag]! * across);
      }
      if (lower.length < fewest) continue;
      brightnessOffsets(top, lower, bottom, upper, acrossSlots, offsets);
      for (let i = 0; i < lower.length; i++)
        counts.add(Math.min(n, farthest), top, lower[i]!, bottom, upper[i]!, acrossSlots, offsets, roughness);
    }
  }
  return counts.result(leaning);
}

/** Reused between calls: one difference for each border. */
let differences: Float32Array = new Float32Array(64);

/**
 * What to add to sides `a` so that half of them are darker than their counterparts `b`, half brighter; by component.
 *
 * @param deviations where given: how far the differences are from that, on the mean; by component
 */
export function brightnessOffsets(
  a: Int16Array,
  ats: readonly number[],
  b: Int16Array,
  bts: readonly number[],
  slotOf: Uint8Array,
  offsets: Float64Array,
  deviations: Float64Array | null = null,
): void {
  const count = ats.length;
  if (differences.length < count) differences = new Float32Array(2 * count);
  for (let begin = 0; begin < slotOf.length; ) {
    const c = slotOf[begin]! >> 2;
    let end = begin;
    while (end < slotOf.length && slotOf[end]! >> 2 === c) end += 4;
    for (let i = 0; i < count; i++) {
      let sum = 0;
      for (let s = begin; s < end; s += 4) sum += b[bts[i]! + s]! - a[ats[i]! + s]!;
      differences[i] = (4 * sum) / (end - begin);
    }
    sortFirst(differences, count);
    const middle = (differences[(count - 1) >> 1]! + differences[count >> 1]!) / 2;
    offsets[c] = middle;
    if (deviations) {
      deviations[c] = 0;
      for (let i = 0; i < count; i++) deviations[c]! += Math.abs(differences[i]! - middle) / count;
    }
    begin = end;
  }
}

/** Short ones, which most are, take longer to hand over to the sorting of the engine than to sort. */
function sortFirst(values: Float32Array, count: number): void {
  if (count > 48) {
    values.subarray(0, count).sort();
    return;
  }
  for (let i = 1; i < count; i++) {
    const value = values[i]!;
    let to = i;
    for (; to > 0 && values[to - 1]! > value; to--) values[to] = values[to - 1]!;
    values[to] = value;
  }
}

/**
 * Log-likelihood ratio that sides `a` and `b` lie at a distance, brightness shifted by `offsets` (per component, added to `a`).
 *
 * @param worth of that distance, see `Continuity`
 */
export function borderScore(
  worth: Float32Array,
  a: Int16Array,
  at: number,
  b: Int16Array,
  bt: number,
  slotOf: Uint8Array,
  offsets: Float64Array,
  roughness: Uint8Array,
): number {
  const count = slotOf.length;
  const bin = binOf(roughness, at, bt, count);
  let sum = 0;
  for (let i = 0; i < count; i++) {
    const slot = slotOf[i]!;
    let difference = a[at + i]! - b[bt + i]!;
    if ((slot & 3) === 0) difference += offsets[slot >> 2]!;
    sum += worth[(bin + slot) * sizes + sizeOf(difference)]!;
  }
  return sum;
}

const slotAt = new Int32Array(64);
const shiftAt = new Float64Array(64);

/**
 * The same for a whole border and all distances at once: `sums` gets what the borders up to each count, a distance after
 * the other.
 *
 * @param together the worths of all distances, see `Continuity`
 */
export function addBorderScores(
  together: Float32Array,
  a: Int16Array,
  ats: readonly number[],
  b: Int16Array,
  bts: readonly number[],
  slotOf: Uint8Array,
  offsets: Float64Array,
  roughness: Uint8Array,
  sums: Float32Array,
): void {
  const count = slotOf.length;
  // Slots come by fours, the first of them brightness.
  for (let i = 0; i < count; i += 4) {
    slotAt[i >> 2] = slotOf[i]! * sizes * 4;
    shiftAt[i >> 2] = offsets[slotOf[i]! >> 2]!;
  }
  const size = 4 * sizes;
  const second = ats.length + 1;
  const third = 2 * second;
  for (let n = 0; n < ats.length; n++) {
    const at = ats[n]!;
    const bt = bts[n]!;
    const bin = binOf(roughness, at, bt, count) * sizes * 4;
    let one = 0;
    let two = 0;
    let three = 0;
    for (let i = 0; i < count; i += 4) {
      const from = bin + slotAt[i >> 2]!;
      const c = at + i;
      const d = bt + i;
      const w = from + 4 * sizeOf(Math.abs(a[c]! - b[d]! + shiftAt[i >> 2]!) | 0);
      const x = from + size + 4 * sizeOf(a[c + 1]! - b[d + 1]!);
      const y = from + 2 * size + 4 * sizeOf(a[c + 2]! - b[d + 2]!);
      const z = from + 3 * size + 4 * sizeOf(a[c + 3]! - b[d + 3]!);
      one = one + together[w]! + together[x]! + together[y]! + together[z]!;
      two = two + together[w + 1]! + together[x + 1]! + together[y + 1]! + together[z + 1]!;
      three = three + together[w + 2]! + together[x + 2]! + together[y + 2]! + together[z + 2]!;
    }
    sums[n + 1] = sums[n]! + one;
    sums[second + n + 1] = sums[second + n]! + two;
    sums[third + n + 1] = sums[third + n]! + three;
  }
}
