// One scan that holds DC values (a whole sequential scan, or the first of a progressive picture): decoded, placed, its brightness
// found, and each MCU graded by how sure that is.
import { anchorPieces } from './anchor-pieces.js';
import { settlePhases } from './block-phase.js';
import { type BlockStore, dcAt } from './block-store.js';
import { solveBrightness } from './brightness.js';
import { cutAtEnd } from './cut-at-end.js';
import { blockNeighbours } from './dc-plane.js';
import type { BitRun } from './dc-refinement.js';
import { readEdges } from './edges.js';
import type { JpegFrame, JpegScan } from './header.js';
import type { HuffmanTable } from './huffman-table.js';
import { blockOfScan, type Layout } from './layout.js';
import { decodePieces, type Pieces } from './pieces.js';
import { placeJointly } from './place-jointly.js';
import type { McuBlock } from './resync.js';
import type { ScanData } from './stretches.js';

/** How much an MCU of the result is worth, least first. */
export const missing = 0;
export const coarse = 1;
export const likely = 2;
export const sure = 3;

/** The grade of an MCU by those of its place and its brightness. */
export function gradeOf(place: number, brightness: number): number {
  return place === missing ? missing : brightness === missing ? coarse : Math.min(place, brightness);
}

/** Most that DC values can be apart, before quantisation: they stand for means of 8-bit samples (T.81, A.3.3), a little more by rounding. */
const dcRange = 2064;
/** Strengths (natural units) from which a place counts; calibrated on photographs, see the bench. */
const surePlace = 8;
const likelyPlace = 3;
const coarsePlace = 0.05;
/**
 * Standard deviations of the brightness, levels, up to which it counts as within 2 levels and as within 16. Outlines that lie along
 * a row can make errors of five of them, hence the second limit.
 */
const sureBrightness = 0.5;
const likelyBrightness = 3;

/** The DC values in the store are those of the picture. */
export type PlacedScan = BlockStore & {
  readonly blocks: readonly McuBlock[];
  /** By MCU of the scan: where it is in the store, -1 where it is missing. */
  readonly source: Int32Array;
  /** By MCU of the scan: `missing`, `coarse`, `likely` or `sure`. */
  readonly place: Uint8Array;
  readonly brightness: Uint8Array;
  /** MCUs that arrived but were not placed. */
  readonly unplaced: number;
  /** How well the pieces fit together in a picture of this size, natural units; to compare sizes by. */
  readonly fit: number;
  /** The bits given that refine it, their places settled as far as they can be. */
  readonly refinement: readonly BitRun[];
};

/** The scan's MCUs and how many lie in a row. */
export function scanSize(
  layout: Layout,
  { components }: Pick<JpegScan, 'components'>,
): { across: number; mcus: number } {
  if (components.length > 1) return { across: layout.across, mcus: layout.mcus };
  const { blocksAcross, blocksDown } = layout.parts[components[0]!]!;
  return { across: blocksAcross, mcus: blocksAcross * blocksDown };
}

/** Index among the picture's blocks of block `b` of MCU `mcu` of the scan. */
export function blockOfMcu(
  layout: Layout,
  { components }: Pick<JpegScan, 'components'>,
  mcu: number,
  b: number,
): number {
  if (components.length === 1) return blockOfScan(layout, components[0]!, mcu);
  let rest = b;
  for (const c of components) {
    const { first, h, v } = layout.parts[c]!;
    if (rest < h * v) return mcu * layout.blocksPerMcu + first + rest;
    rest -= h * v;
  }
  throw new RangeError(`the scan's MCU has no block ${b}`);
}

/** The blocks of the scan's MCU with their tables, or `null` where a table is lost. */
export function mcuBlocks(layout: Layout, scan: JpegScan): McuBlock[] | null {
  const dcOnly = scan.spectralEnd === 0;
  const blocks: McuBlock[] = [];
  for (const [i, c] of scan.components.entries()) {
    const { h, v } = layout.parts[c]!;
    const dc: HuffmanTable | null = scan.dc[i]!;
    const ac: HuffmanTable | null = dcOnly ? null : scan.ac[i]!;
    if (!dc || (!dcOnly && !ac)) return null;
    for (let b = scan.components.length === 1 ? 1 : h * v; b > 0; b--) blocks.push({ dc, ac, component: i });
  }
  return blocks;
}

/** The layout's parts that the scan holds; a scan of one component has one block in its MCU. */
function scanParts({ parts }: Layout, { components }: JpegScan): Layout['parts'] {
  return components.map((c) => (components.length === 1 ? { ...parts[c]!, h: 1, v: 1 } : parts[c]!));
}

/**
 * @param refinement the bits of a scan that refines this one, where it has been found
 * @returns `null` where nothing of the scan can be placed
 */
export function placeScan(
  data: ScanData,
  frame: JpegFrame,
  layout: Layout,
  scan: JpegScan,
  quantisation: readonly Uint16Array[],
  refinement: readonly BitRun[] = [],
): PlacedScan | null {
  const blocks = mcuBlocks(layout, scan);
  if (!blocks) return null;
  const { across, mcus } = scanSize(layout, scan);
  const decoded = decodePieces(data, blocks, mcus, scan.restartInterval, scan.low);
  const { store, begins, kept } = decoded;
  const stored = { store, begins, kept };
  const parts = scanParts(layout, scan);
  const tables = scan.components.map((c) => quantisation[c]!);
  let phased = decoded;
  if (scan.spectralEnd === 0) {
    const ranges = tables.map((table) => dcRange / table[0]! + (2 << scan.low));
    phased = cutAtEnd(settlePhases(decoded, blockNeighbours(parts, across), scan.low), ranges);
  }
  const source = new Int32Array(mcus).fill(-1);
  const place = new Uint8Array(mcus);
  const brightness = new Uint8Array(mcus);
  const only = phased.pieces[0];
  if (!only) return null;
  const whole = phased.pieces.length === 1 && only.count === mcus && only.floating === 0;
  if (whole) {
    for (let m = 0; m < mcus; m++) source[m] = only.first + m;
    return {
      ...stored,
      blocks,
      source,
      place: place.fill(sure),
      brightness: brightness.fill(sure),
      unplaced: 0,
      fit: 0,
      refinement,
    };
  }
  const edges = readEdges(phased, frame, scan.components, tables);
  const anchored = anchorPieces(phased, refinement, parts, across, scan.low);
  const { pieces } = anchored;
  if (pieces.length === 0) return null;
  let unplaced = phased.pieces.reduce((sum, { count }) => sum + count, 0);
  for (const { count } of pieces) unplaced -= count;
  const joint = placeJointly(anchored, edges, across, scan.restartInterval, anchored.evidence);
  if (!joint) return null;
  const at = joint.at.map((begin, i) => (joint.strengths[i]! >= coarsePlace ? begin : -1));
  // Without the begin of the scan and without restarts no brightness is known: all are found from the largest piece's.
  const afloat = pieces.every(({ floating, count }) => floating === count);
  const largest = pieces.reduce(
    (best, { count }, i) => (at[i]! >= 0 && count > (pieces[best]?.count ?? 0) ? i : best),
    -1,
  );
  const grounded = afloat ? pieces.map((piece, i) => (i === largest ? { ...piece, floating: 0 } : piece)) : pieces;
  const { levels, deviation } = solveBrightness(edges, grounded, at, mcus, across, joint.borders.between.spread[0]!);
  const middle = afloat ? middleLevels(anchored, at, levels, tables) : null;
  for (const [i, { first, count, floating, doubtful }] of pieces.entries()) {
    if (at[i]! < 0) {
      unplaced += count;
      continue;
    }
    const steps = tables.map((table, c) =>
      roundTo(1 << scan.low, ((levels[i]![c]! - (middle?.[c] ?? 0)) * 8) / table[0]!),
    );
    const strength = joint.strengths[i]!;
    const grade = strength >= surePlace ? sure : strength >= likelyPlace ? likely : coarse;
    for (let m = 0; m < count; m++) {
      const to = at[i]! + m;
      source[to] = first + m;
      // About 30 in 100 of the doubtful ones are not on the true grid (measured, see the bench).
      place[to] = m < doubtful ? coarse : grade;
      const doubt = middle ? Number.POSITIVE_INFINITY : m < floating ? deviation[i]! : 0;
      brightness[to] = doubt <= sureBrightness ? sure : doubt <= likelyBrightness ? likely : missing;
      if (m >= floating) continue;
      const block = blocks.length * (first + m);
      for (let b = 0; b < blocks.length; b++) store[dcAt(stored, block + b)]! += steps[blocks[b]!.component]!;
    }
  }
  const { score: fit } = joint;
  return { ...stored, blocks, source, place, brightness, unplaced, fit, refinement: anchored.runs };
}

/** What is in the middle of all that is shown: the range of the first component, the mean of colours (pictures are grey on the whole). */
function middleLevels(
  { blocks, store, begins, kept, pieces }: Pieces,
  at: Int32Array,
  levels: readonly Float64Array[],
  tables: readonly Uint16Array[],
): number[] {
  return tables.map((table, c) => {
    let [low, high, sum, count] = [Number.POSITIVE_INFINITY, Number.NEGATIVE_INFINITY, 0, 0];
    for (const [i, piece] of pieces.entries()) {
      if (at[i]! < 0) continue;
      for (let m = piece.doubtful; m < piece.count; m++) {
        for (const [b, { component }] of blocks.entries()) {
          if (component !== c) continue;
          const at = dcAt({ begins, kept }, blocks.length * (piece.first + m) + b);
          const level = (store[at]! * table[0]!) / 8 + levels[i]![c]!;
          if (level < low) low = level;
          if (level > high) high = level;
          sum += level;
          count++;
        }
      }
    }
    if (count === 0) return 0;
    return c === 0 ? (low + high) / 2 : sum / count;
  });
}

function roundTo(step: number, value: number): number {
  return step * Math.round(value / step);
}
