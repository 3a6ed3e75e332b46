// The size of a picture whose frame header is lost, where other files of the sender are of other sizes: the width is the number of
// MCUs after which a picture runs on one row below, the height follows from how many there are.
import { readEdges } from './edges.js';
import type { Gaps, JpegFrame, JpegHeader } from './header.js';
import { layoutOf } from './layout.js';
import { decodePieces, type Pieces } from './pieces.js';
import { mcuBlocks } from './place-scan.js';
import { readStretches } from './stretches.js';

/** Pictures are looked for up to so many times the lender's MCUs, larger ones only up to so many blocks in all. */
const mostTimes = 4;
const mostBlocks = 600_000;
const narrowest = 4;
/** Nor are pictures looked for that are so many times as wide as high, or as high as wide. */
const mostAspect = 4;
/** Pairs of MCUs that are compared for each width. */
const mostPairs = 1500;
const fewestPairs = 400;
/** One difference counts no more than this, stored units: there are outlines in every picture. */
const largest = 60;
/** Share of what is lost that the count of it may be wrong by. */
const doubt = 0.5;
/** How much better the width has to be than the lender's, and than those that have nothing to do with it. */
const clear = 0.85;
const sharp = 0.7;

/**
 * @param header lent by a file of the same sender, with the scans of this one
 * @returns frames that the picture may have, its size to whole MCUs (to pixels where it is the lender's, upright or on its side); none
 *   where the lender's is as likely
 */
export function solveSize(bytes: Uint8Array, gaps: Gaps, { frame, quantisation, scans }: JpegHeader): JpegFrame[] {
  const layout = layoutOf(frame);
  const scan = scans[0]!;
  const blocks = mcuBlocks(layout, scan);
  if (!blocks || scan.restartInterval > 0 || scan.components.length !== frame.components.length) return [];
  const most = Math.max(layout.mcus, Math.min(mostTimes * layout.mcus, Math.floor(mostBlocks / blocks.length)));
  const decoded = decodePieces(readStretches(bytes, gaps, scan), blocks, most, 0, scan.low);
  const tables = scan.components.map((c) => quantisation[frame.components[c]!.table]!);
  const shape = layout.mcuHeight / layout.mcuWidth;
  const mcus = countMcus(decoded).likely;
  const narrow = Math.max(narrowest, Math.floor(Math.sqrt((mcus * shape) / mostAspect)));
  const costs = widthCosts(decoded, Math.ceil(Math.sqrt(mcus * shape * mostAspect)), frame, scan.components, tables);
  const wide = costs.length - 1;
  let across = Math.min(narrow, wide);
  for (let width = across; width <= wide; width++) if (costs[width]! < 0.97 * costs[across]!) across = width;
  const known = costs.filter((cost) => cost < Number.POSITIVE_INFINITY).sort();
  const typical = known[known.length >> 1];
  if (typical === undefined || costs[across]! > sharp * typical) return [];
  const lentCost = costs[layout.across] ?? Number.POSITIVE_INFINITY;
  if (across !== layout.across && costs[across]! > clear * lentCost) return [];
  const rows = rowsOf(decoded, across, layout.down);
  // Where the lender's height is among those that are likely there is no reason for another.
  if (across === layout.across && rows.includes(layout.down)) return [];
  const onItsSide = { ...frame, width: frame.height, height: frame.width };
  const turned = layoutOf(onItsSide);
  if (across === turned.across && rows.includes(turned.down)) return [onItsSide];
  const width = across === layout.across ? frame.width : across * layout.mcuWidth;
  const frames = rows.map((down) => ({ ...frame, width, height: down * layout.mcuHeight }));
  return frames.filter(({ height }) => Math.max(width, height) <= 65535);
}

/** By width in MCUs: mean difference between the lower edges of MCUs and the upper ones of those one row on. */
function widthCosts(
  decoded: Pieces,
  widest: number,
  frame: JpegFrame,
  components: readonly number[],
  tables: readonly Uint16Array[],
): Float64Array {
  const { across, top, bottom } = readEdges(decoded, frame, components, tables);
  const longest = decoded.pieces.reduce((most, { count }) => Math.max(most, count), 0);
  const costs = new Float64Array(Math.min(widest + 1, longest)).fill(Number.POSITIVE_INFINITY);
  for (let width = narrowest; width < costs.length; width++) {
    const pairs = decoded.pieces.reduce((sum, { count }) => sum + Math.max(0, count - width), 0);
    if (pairs < fewestPairs) break;
    const step = Math.ceil(pairs / mostPairs);
    let [sum, values] = [0, 0];
    for (const { first, count } of decoded.pieces) {
      for (let m = first; m + width < first + count; m += step) {
        for (let i = 0; i < across; i++)
          sum += Math.min(largest, Math.abs(bottom[m * across + i]! - top[(m + width) * across + i]!));
        values += across;
      }
    }
    costs[width] = sum / values;
  }
  return costs;
}

/** The MCUs that arrived, and with those that the bits lost are likely to have held; how many of these there are. */
function countMcus({ pieces, bits, lostAfter }: Pieces): { arrived: number; likely: number; lost: number } {
  let [arrived, coded, lostBits] = [0, 0, Math.max(0, lostAfter)];
  for (const piece of pieces) {
    arrived += piece.count;
    lostBits += piece.lostBits;
    for (let m = piece.first; m < piece.first + piece.count; m++) coded += bits[m]!;
  }
  const lost = (lostBits * arrived) / Math.max(1, coded);
  return { arrived, likely: arrived + lost, lost };
}

/** Rows that the picture may have; only the lender's, or as many as arrived, where the end is lost. */
function rowsOf(decoded: Pieces, across: number, lent: number): number[] {
  const { arrived, likely, lost } = countMcus(decoded);
  const least = Math.max(1, Math.ceil(arrived / across));
  if (decoded.lostAfter < 0) return [Math.max(least, lent)];
  const rows = Math.round(likely / across);
  const reach = Math.ceil((doubt * lost) / across);
  return Array.from({ length: 2 * reach + 1 }, (_, i) => rows + i - reach).filter((count) => count >= least);
}
