// The joint solution: a search from the start, one from the end, and one among all places that either of them found, with the
// scales of the picture measured again in between. How sure each place is comes from the best solution that puts the piece elsewhere.
import { Borders } from './borders.js';
import { measureAlong, measureBetween } from './continuity.js';
import { type Edges, turnEdges } from './edges.js';
import type { Piece, Pieces } from './pieces.js';
import { type Placement, type PlaceOptions, placePieces } from './place.js';

export type JointPlacement = Placement & {
  readonly borders: Borders;
  /** By piece: how much better its place is than any other, natural units. */
  readonly strengths: Float64Array;
};

/**
 * @param edges of all MCUs in the store; turned and turned back
 * @param width MCUs in a row
 * @param evidence by piece and place: what else tells of it, natural units; default nothing
 */
export function placeJointly(
  { pieces, bits, totalMcus, lostAfter }: Pieces,
  edges: Edges,
  width: number,
  restartInterval: number,
  evidence: readonly Float32Array[] = [],
): JointPlacement | null {
  const along = measureAlong(edges, pieces);
  let between = measureBetween(edges, apart(pieces, width), width, along);
  const options = { totalMcus, restartInterval, bits, lostAfter, evidence };
  let borders = new Borders(pieces, edges, along, between, width);
  const forward = placePieces(borders, options);
  const turned = turn(pieces, edges, borders, options);
  const fromEnd = pieces.length < 3 || lostAfter < 0 ? null : placePieces(turned.borders, turned.options);
  const backward = fromEnd && turned.back(fromEnd.at);
  turned.undo();
  const both = [forward?.at, backward].filter((at) => at !== undefined && at !== null);
  if (both.length === 0) return null;
  between = measureBetween(edges, sourceOf(pieces, both[0]!, totalMcus), width, along);
  borders = new Borders(pieces, edges, along, between, width, borders);
  const only = pieces.map((piece, i) => {
    const places = new Set(both.flatMap((at) => [at[i]!, at[i]! - 1, at[i]! + 1]));
    for (const at of likeliest(forward?.marginals[i])) places.add(at);
    for (const at of likeliest(fromEnd?.marginals[pieces.length - 1 - i])) places.add(totalMcus - at - piece.count);
    return [...places];
  });
  // The two need not fit together, and the best of each may look worse than others for a while.
  const joint = placePieces(borders, { ...options, only, chains: both }) ?? forward;
  if (!joint) return null;
  return { ...joint, borders, strengths: strengthsOf(joint, pieces) };
}

/** Places of a piece that are tried again by the joint search. */
const mostCandidates = 16;
const leastCandidate = -20;
/** No place is surer than this, as the beam has lost others. */
const strongest = 30;

function likeliest(marginals: ReadonlyMap<number, number> = new Map()): number[] {
  const places = [...marginals].filter(([, score]) => score > leastCandidate).sort((a, b) => b[1] - a[1]);
  return places.slice(0, mostCandidates).map(([at]) => at);
}

/** How much worse the best solution is that puts the piece elsewhere; infinite where its place is certain. */
function strengthsOf({ at, marginals }: Placement, pieces: readonly Piece[]): Float64Array {
  return Float64Array.from(at, (begin, i) => {
    if (pieces[i]!.fixed >= 0) return Number.POSITIVE_INFINITY;
    let rival = -strongest;
    for (const [other, score] of marginals[i]!) if (other !== begin) rival = Math.max(rival, score);
    return -rival;
  });
}

type Turned = {
  borders: Borders;
  options: PlaceOptions;
  there: (at: Int32Array) => Int32Array;
  back: (at: Int32Array) => Int32Array;
  undo: () => void;
};

/** The same task seen from the end. Edges are turned in place: `undo` before they are used again. */
function turn(
  pieces: readonly Piece[],
  edges: Edges,
  { width, along, between }: Borders,
  options: PlaceOptions,
): Turned {
  const mcus = edges.top.length / edges.across;
  const { totalMcus } = options;
  const turned = pieces.map((piece, i) => ({
    ...piece,
    first: mcus - piece.first - piece.count,
    fixed: piece.fixed < 0 ? -1 : totalMcus - piece.fixed - piece.count,
    lostBits: pieces[i + 1]?.lostBits ?? options.lostAfter,
  }));
  turned.reverse();
  const turnedEdges = turnEdges(edges);
  return {
    borders: new Borders(turned, turnedEdges, along, between, width),
    options: {
      ...options,
      bits: options.bits.slice(0, mcus).reverse(),
      lostAfter: pieces[0]!.lostBits,
      turned: !options.turned,
      evidence: (options.evidence ?? []).map((scores) => scores.slice().reverse()).reverse(),
    },
    /** Places as the search from the end counts them, and back. */
    there: (at: Int32Array) => at.map((place, i) => totalMcus - place - pieces[i]!.count).reverse(),
    back: (at: Int32Array) =>
      at
        .slice()
        .reverse()
        .map((place, i) => totalMcus - place - pieces[i]!.count),
    undo: () => void turnEdges(turnedEdges),
  };
}

/** The MCU in the store by MCU of the picture, -1 where none is placed. */
export function sourceOf(pieces: readonly Piece[], at: Int32Array, totalMcus: number): Int32Array {
  const source = new Int32Array(totalMcus).fill(-1);
  for (const [i, { first, count }] of pieces.entries()) for (let m = 0; m < count; m++) source[at[i]! + m] = first + m;
  return source;
}

/** All pieces under each other without touching: what is known of rows inside pieces before any is placed. */
function apart(pieces: readonly Piece[], width: number): Int32Array {
  const between = 3 * width;
  const source = new Int32Array(pieces.reduce((sum, { count }) => sum + count + between, 0)).fill(-1);
  let to = 0;
  for (const { first, count } of pieces) {
    for (let m = 0; m < count; m++) source[to + m] = first + m;
    to += count + between;
  }
  return source;
}
