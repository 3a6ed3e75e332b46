// The brightness of pieces whose DC values are known only up to a common offset: least squares over all borders between placed
// pieces (rows above and below, and the row they share), reweighted so that outlines in the picture do not pull.
import { brightnessOffsets } from './continuity.js';
import { type Edges, unitsPerLevel } from './edges.js';
import type { Piece } from './pieces.js';

export type Brightness = {
  /** By piece: levels to add to its floating MCUs, by component. */
  readonly levels: readonly Float64Array[];
  /** By piece: standard deviation of that, levels; 0 where nothing floats, infinite where nothing tells. */
  readonly deviation: Float64Array;
};

/**
 * `variance` is that of the difference in the component that is least sure: by how far its borders are from agreeing, how many they
 * are, and how far the rows next to them are from running on as they are.
 */
type Link = { a: number; b: number; difference: Float64Array; mcus: number; variance: number };

const rounds = 6;
/** Missing rows over which a brightness is carried where nothing nearer tells. */
const mostRows = 6;
/** Borders of n blocks of 8 pixels tell as much as this many times n independent ones. */
const independentBlocks = 0.175;

/** Borders of the picture as a whole that are worth as much as those of a link, in telling how far its borders agree. */
const leaning = 3;
/** Variance that each link adds, however well its borders agree: they may all be off alike. */
const leastVariance = unitsPerLevel ** 2 / 16;
/**
 * Where a picture grows darker from row to row, as at a horizon that is not sharp, all borders of a link are off alike; the rows on
 * either side of it tell by how much. How much of the square of that counts; chosen on the photographs that the bench tunes on.
 */
const leanWeight = 0.5;

/**
 * @param at place of each piece; -1 for pieces that are not shown
 * @param width MCUs in a row
 */
export function solveBrightness(
  edges: Edges,
  pieces: readonly Piece[],
  at: Int32Array,
  totalMcus: number,
  width: number,
  spread: Float64Array,
): Brightness {
  const components = 1 + (Math.max(...edges.acrossSlots) >> 2);
  const independent = Array.from(
    { length: components },
    (_, c) => independentBlocks * edges.acrossSlots.filter((slot) => slot === 4 * c).length,
  );
  const links = findLinks(edges, pieces, at, totalMcus, width, spread, independent);
  const levels = pieces.map(() => new Float64Array(components));
  const variance = new Float64Array(pieces.length).fill(Number.POSITIVE_INFINITY);
  // Node `pieces.length` is all that is known.
  const known = pieces.length;
  const byNode: Link[][] = Array.from({ length: known + 1 }, () => []);
  for (const link of links) {
    byNode[link.a]!.push(link);
    byNode[link.b]!.push(link);
  }
  const order = orderByDoubt(byNode, known, variance);
  const disagreement = new Float64Array(pieces.length);
  for (let c = 0; c < components; c++) {
    const value = new Float64Array(known + 1);
    // First along the surest way to each piece, then all together.
    for (const { node, from, link } of order) {
      value[node] = value[from]! + (link.b === node ? -link.difference[c]! : link.difference[c]!);
    }
    const typical = spread[c]! / Math.sqrt(independent[0]!);
    for (let round = 0; round < rounds * 10; round++) {
      for (const { node } of round % 2 ? [...order].reverse() : order) {
        let sum = 0;
        let weights = 0;
        for (const { a, b, difference, mcus } of byNode[node]!) {
          const target = node === a ? value[b]! + difference[c]! : value[a]! - difference[c]!;
          const residual = ((target - value[node]!) / typical) ** 2 * Math.min(8, mcus);
          const weight = mcus / (1 + residual / 4);
          sum += weight * target;
          weights += weight;
        }
        if (weights > 0) value[node] = sum / weights;
      }
    }
    for (const { node } of order) {
      levels[node]![c] = value[node]! / unitsPerLevel;
      // Neighbours that do not agree about a piece leave it in doubt.
      let sum = 0;
      let weights = 0;
      for (const { a, b, difference, mcus } of byNode[node]!) {
        sum += mcus * (value[a]! - value[b]! - difference[c]!) ** 2;
        weights += mcus;
      }
      disagreement[node] = Math.max(disagreement[node]!, (sum / weights) * 0.25);
    }
  }
  const deviation = variance.map((v, i) =>
    pieces[i]!.floating === 0 ? 0 : Math.sqrt(v + disagreement[i]!) / unitsPerLevel,
  );
  return { levels, deviation };
}

/**
 * Value of node a = value of node b + difference.
 *
 * @param spread mean absolute difference of brightness at borders of the picture, by component
 * @param independent borders of one MCU that tell something of their own, by component
 */
function findLinks(
  edges: Edges,
  pieces: readonly Piece[],
  at: Int32Array,
  totalMcus: number,
  width: number,
  spread: Float64Array,
  independent: readonly number[],
): Link[] {
  const known = pieces.length;
  const node = new Int32Array(totalMcus).fill(-1);
  const source = new Int32Array(totalMcus);
  for (const [i, { first, count, floating }] of pieces.entries()) {
    if (at[i]! < 0) continue;
    for (let m = 0; m < count; m++) {
      node[at[i]! + m] = m < floating ? i : known;
      source[at[i]! + m] = first + m;
    }
  }
  const links: Link[] = [];
  const deviations = new Float64Array(4);
  const leans = new Float64Array(4);
  const varianceOf = (borders: number, mcus: number) =>
    leastVariance +
    independent.reduce((most, each, c) => {
      const typical = (deviations[c]! * borders + spread[c]! * leaning) / (borders + leaning);
      return Math.max(most, typical ** 2 / mcus / each + leanWeight * leans[c]! ** 2);
    }, 0);
  const measure = (places: readonly number[], rows: number, difference: Float64Array, around?: Float64Array) => {
    const lower = places.map((t) => source[t]! * edges.across);
    const upper = places.map((t) => source[t - rows * width]! * edges.across);
    brightnessOffsets(edges.top, lower, edges.bottom, upper, edges.acrossSlots, difference, around);
  };
  const slope = new Float64Array(4);
  /** How far the borders above `places` are from running on, if the same piece lies on both sides of them: times `rows`, into `leans`. */
  const lean = (places: readonly number[], rows: number) => {
    const inside = places.filter((t) => node[t]! >= 0 && node[t] === node[t - width]);
    if (2 * inside.length < places.length) return;
    measure(inside, 1, slope);
    for (let c = 0; c < independent.length; c++) leans[c] = Math.max(leans[c]!, rows * Math.abs(slope[c]!));
  };
  const linked = new Set<number>();
  for (let rows = 1; rows <= mostRows; rows++) {
    const found = new Map<number, number[]>();
    // One key follows another of its kind nearly always.
    let current = -1;
    let places: number[] | null = null;
    for (let t = rows * width; t < totalMcus; t++) {
      const [a, b] = [node[t]!, node[t - rows * width]!];
      if (a < 0 || b < 0 || a === b) continue;
      const key = a * (known + 1) + b;
      if (key !== current) {
        current = key;
        places = linked.has(key) ? null : (found.get(key) ?? []);
        if (places) found.set(key, places);
      }
      places?.push(t);
    }
    for (const [key, places] of found) {
      linked.add(key);
      const difference = new Float64Array(4);
      measure(places, rows, difference, deviations);
      leans.fill(0);
      lean(
        places.map((t) => t + width),
        rows,
      );
      lean(
        places.map((t) => t - rows * width),
        rows,
      );
      // Over rows that are missing a picture changes more, and more alike along the row.
      const mcus = rows === 1 ? places.length : Math.min(places.length, 40) / (4 * rows * rows);
      const [a, b] = [Math.floor(key / (known + 1)), key % (known + 1)];
      links.push({ a, b, difference, mcus, variance: varianceOf(places.length, mcus) });
    }
  }
  leans.fill(0);
  for (let t = 1; t < totalMcus; t++) {
    const [a, b] = [node[t]!, node[t - 1]!];
    if (a < 0 || b < 0 || a === b || t % width === 0) continue;
    const difference = new Float64Array(4);
    brightnessOffsets(
      edges.left,
      [source[t]! * edges.down],
      edges.right,
      [source[t - 1]! * edges.down],
      edges.downSlots,
      difference,
    );
    links.push({ a, b, difference, mcus: 1, variance: varianceOf(0, 1) });
  }
  return links;
}

/** All pieces that hang together with what is known, surest first (shortest way by variance); fills `variance`. */
function orderByDoubt(
  byNode: readonly Link[][],
  known: number,
  variance: Float64Array,
): { node: number; from: number; link: Link }[] {
  const order: { node: number; from: number; link: Link }[] = [];
  const best = new Map<number, { doubt: number; from: number; link: Link }>();
  const reach = (from: number, doubt: number) => {
    for (const link of byNode[from]!) {
      const node = link.a === from ? link.b : link.a;
      if (node === known || variance[node]! < Number.POSITIVE_INFINITY) continue;
      const next = doubt + link.variance;
      const rival = best.get(node);
      if (!rival || rival.doubt > next) best.set(node, { doubt: next, from, link });
    }
  };
  reach(known, 0);
  while (best.size > 0) {
    let node = -1;
    for (const [candidate, { doubt }] of best) if (node < 0 || doubt < best.get(node)!.doubt) node = candidate;
    const { doubt, from, link } = best.get(node)!;
    best.delete(node);
    variance[node] = doubt;
    order.push({ node, from, link });
    reach(node, doubt);
  }
  return order;
}
