// One scan that holds DC values (a whole sequential scan, or the first of a progressive picture): decoded, placed, its brightness
// found, and each MCU graded by how sure that is.
import { solveBrightness } from './brightness.js';
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

/** Strengths (natural units) from which a place counts; calibrated on photographs, see the bench. */
const surePlace = 6;
const likelyPlace = 2;
const coarsePlace = 0.3;
/** Standard deviations of the brightness, levels, up to which it counts. */
const sureBrightness = 0.6;
const likelyBrightness = 6;

export type PlacedScan = {
  readonly blocks: readonly McuBlock[];
  /** 64 per block in zigzag order; the DC values are those of the picture. */
  readonly store: Int16Array;
  /** By MCU of the scan: where it is in the store, -1 where it is missing. */
  readonly source: Int32Array;
  /** By MCU of the scan: `missing`, `coarse`, `likely` or `sure`. */
  readonly place: Uint8Array;
  readonly brightness: Uint8Array;
  /** MCUs that arrived but were not placed. */
  readonly unplaced: number;
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

/** @returns `null` where nothing of the scan can be placed */
export function placeScan(
  data: ScanData,
  frame: JpegFrame,
  layout: Layout,
  scan: JpegScan,
  quantisation: readonly Uint16Array[],
): PlacedScan | null {
  const blocks = mcuBlocks(layout, scan);
  if (!blocks) return null;
  const { across, mcus } = scanSize(layout, scan);
  const decoded = decodePieces(data, blocks, mcus, scan.restartInterval, scan.low);
  const { pieces, store } = decoded;
  if (pieces.length === 0) return null;
  const source = new Int32Array(mcus).fill(-1);
  const place = new Uint8Array(mcus);
  const brightness = new Uint8Array(mcus);
  const whole = pieces.length === 1 && pieces[0]!.count === mcus && pieces[0]!.floating === 0;
  if (whole) {
    for (let m = 0; m < mcus; m++) source[m] = pieces[0]!.first + m;
    return { blocks, store, source, place: place.fill(sure), brightness: brightness.fill(sure), unplaced: 0 };
  }
  const tables = scan.components.map((c) => quantisation[c]!);
  const edges = readEdges(decoded, frame, scan.components, tables);
  const joint = placeJointly(decoded, edges, across, scan.restartInterval);
  if (!joint) return null;
  const at = joint.at.map((begin, i) => (joint.strengths[i]! >= coarsePlace ? begin : -1));
  // Without the begin of the scan and without restarts no brightness is known: all are found from the largest piece's.
  const afloat = pieces.every(({ floating, count }) => floating === count);
  const largest = pieces.reduce(
    (best, { count }, i) => (at[i]! >= 0 && count > (pieces[best]?.count ?? 0) ? i : best),
    -1,
  );
  const anchored = afloat ? pieces.map((piece, i) => (i === largest ? { ...piece, floating: 0 } : piece)) : pieces;
  const { levels, deviation } = solveBrightness(edges, anchored, at, mcus, across, joint.borders.between.spread[0]!);
  const middle = afloat ? middleLevels(decoded, at, levels, tables) : null;
  let unplaced = 0;
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
      place[to] = m < doubtful ? Math.min(grade, likely) : grade;
      const doubt = middle ? Number.POSITIVE_INFINITY : m < floating ? deviation[i]! : 0;
      brightness[to] = doubt <= sureBrightness ? sure : doubt <= likelyBrightness ? likely : missing;
      if (m >= floating) continue;
      for (const [b, { component }] of blocks.entries())
        store[64 * (blocks.length * (first + m) + b)]! += steps[component]!;
    }
  }
  return { blocks, store, source, place, brightness, unplaced };
}

/** What is in the middle of all that is shown: the range of the first component, the mean of colours (pictures are grey on the whole). */
function middleLevels(
  { blocks, store, pieces }: Pieces,
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
          const level = (store[64 * (blocks.length * (piece.first + m) + b)]! * table[0]!) / 8 + levels[i]![c]!;
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
