// How likely it is that two MCUs are neighbours: log-likelihood ratios of the differences along their common border, against
// MCUs that are only near each other. The scales are measured in the picture itself, inside the pieces, where neighbours are known.
import type { Edges } from './edges.js';
import type { Piece } from './pieces.js';

const bins = 8;
const slots = 16;
/** One difference weighs no more than this, in natural units: there are edges in every picture. */
const largest = 3;

/** Sizes of a difference that are told apart: 0, 1, 2 to 3, 4 to 7, … stored units. */
const sizes = 13;

export type Continuity = {
  /** Per busyness of the border, slot and size of the difference: what it counts for the two being neighbours. */
  readonly worth: Float32Array;
  /** Mean absolute difference of brightness (slot 0 of each component) at a true border, in stored units. */
  readonly spread: Float64Array;
  /** How often each size occurs between neighbours, and between MCUs that are only near: the shares behind `worth`. */
  readonly near: Float64Array;
  readonly far: Float64Array;
};

function sizeOf(difference: number): number {
  const size = 32 - Math.clz32(difference < 0 ? -difference : difference);
  return size < sizes ? size : sizes - 1;
}

/** How busy the two sides of a border are, 0 to `bins` - 1. */
function busyness(a: Int16Array, at: number, b: Int16Array, bt: number, count: number): number {
  let sum = 0;
  for (let i = 0; i < count; i++) {
    if ((i & 3) === 0) continue;
    const p = a[at + i]!;
    const q = b[bt + i]!;
    sum += (p < 0 ? -p : p) + (q < 0 ? -q : q);
  }
  const level = 31 - Math.clz32(1 + (4 * sum) / count);
  return level < bins ? level : bins - 1;
}

/** Counts over many borders: sizes of the differences of neighbours and of MCUs a step further, by busyness and slot. */
class Counts {
  private readonly near = new Float64Array(bins * slots * sizes);
  private readonly far = new Float64Array(bins * slots * sizes);
  private readonly spread = new Float64Array(4);
  private readonly spreads = new Float64Array(4);

  add(
    isNear: boolean,
    a: Int16Array,
    at: number,
    b: Int16Array,
    bt: number,
    slotOf: Uint8Array,
    offsets: Float64Array,
  ): void {
    const bin = busyness(a, at, b, bt, slotOf.length) * slots;
    const counts = isNear ? this.near : this.far;
    for (let i = 0; i < slotOf.length; i++) {
      const slot = slotOf[i]!;
      let difference = a[at + i]! - b[bt + i]!;
      if ((slot & 3) === 0) {
        difference += offsets[slot >> 2]!;
        if (isNear) {
          this.spread[slot >> 2]! += Math.abs(difference);
          this.spreads[slot >> 2]!++;
        }
      }
      counts[(bin + slot) * sizes + sizeOf(difference)]!++;
    }
  }

  /** @param leaning what to lean on where there are few examples */
  result(leaning: Continuity | null): Continuity {
    const near = shares(this.near, leaning?.near ?? null);
    const far = shares(this.far, leaning?.far ?? null);
    const worth = Float32Array.from(near, (share, i) =>
      Math.max(-largest, Math.min(largest, Math.log(share / far[i]!))),
    );
    const spread = this.spread.map((sum, c) =>
      Math.max(1, (1.25 * (sum + 30 * (leaning?.spread[c] ?? 20))) / (this.spreads[c]! + 30)),
    );
    return { worth, spread, near, far };
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

/** Borders between MCUs that follow each other in a row, from the pieces themselves: one row end in many does not matter. */
export function measureAlong({ down, left, right, downSlots }: Edges, pieces: readonly Piece[]): Continuity {
  const counts = new Counts();
  for (const { first, count } of pieces) {
    for (let m = first; m + 5 < first + count; m++) {
      counts.add(true, right, m * down, left, (m + 1) * down, downSlots, none);
      counts.add(false, right, m * down, left, (m + 2 + (m % 3)) * down, downSlots, none);
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
  { across, top, bottom, acrossSlots }: Edges,
  source: Int32Array,
  width: number,
  leaning: Continuity,
): Continuity {
  const counts = new Counts();
  const offsets = new Float64Array(4);
  const lags = [width, 2 * width, width - 2, width + 2];
  // Every chunk of a large picture would be more than is needed.
  const step = chunkMcus * Math.max(1, Math.floor(source.length / 12_000));
  for (let begin = 2 * width + 2; begin + chunkMcus <= source.length; begin += step) {
    for (const [n, lag] of lags.entries()) {
      const lower: number[] = [];
      const upper: number[] = [];
      for (let t = begin; t < begin + chunkMcus; t++) {
        if (source[t]! < 0 || source[t - lag]! < 0) continue;
        lower.push(source[t]! * across);
        upper.push(source[t - lag]! * across);
      }
      if (lower.length < fewest) continue;
      brightnessOffsets(top, lower, bottom, upper, acrossSlots, offsets);
      for (let i = 0; i < lower.length; i++)
        counts.add(n === 0, top, lower[i]!, bottom, upper[i]!, acrossSlots, offsets);
    }
  }
  return counts.result(leaning);
}

/** What to add to sides `a` so that half of them are darker than their counterparts `b`, half brighter; by component. */
export function brightnessOffsets(
  a: Int16Array,
  ats: readonly number[],
  b: Int16Array,
  bts: readonly number[],
  slotOf: Uint8Array,
  offsets: Float64Array,
): void {
  const values = new Float32Array(ats.length);
  const components = 1 + (slotOf.at(-1)! >> 2);
  for (let c = 0; c < components; c++) {
    for (let i = 0; i < ats.length; i++) {
      let sum = 0;
      let blocks = 0;
      for (let s = 0; s < slotOf.length; s += 4) {
        if (slotOf[s]! >> 2 !== c) continue;
        sum += b[bts[i]! + s]! - a[ats[i]! + s]!;
        blocks++;
      }
      values[i] = sum / blocks;
    }
    values.sort();
    offsets[c] = (values[(ats.length - 1) >> 1]! + values[ats.length >> 1]!) / 2;
  }
}

/** Log-likelihood ratio that side `a` borders on side `b`, brightness shifted by `offsets` (per component, added to `a`). */
export function borderScore(
  { worth }: Continuity,
  a: Int16Array,
  at: number,
  b: Int16Array,
  bt: number,
  slotOf: Uint8Array,
  offsets: Float64Array,
): number {
  const count = slotOf.length;
  const bin = busyness(a, at, b, bt, count) * slots;
  let sum = 0;
  for (let i = 0; i < count; i++) {
    const slot = slotOf[i]!;
    let difference = a[at + i]! - b[bt + i]!;
    if ((slot & 3) === 0) difference += offsets[slot >> 2]!;
    sum += worth[(bin + slot) * sizes + sizeOf(difference)]!;
  }
  return sum;
}
