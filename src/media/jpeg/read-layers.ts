// A picture of several scans, progressive or one for each component: all that arrived of each is put where it belongs.
import { readCoefficients } from './block-store.js';
import type { BitRun } from './dc-refinement.js';
import { findRefinement, readHiddenRefinement, readRefinement } from './find-refinement.js';
import { applyFirstAc } from './first-ac.js';
import type { Gaps, JpegHeader, JpegScan } from './header.js';
import type { Layout } from './layout.js';
import { blockOfMcu, coarse, gradeOf, missing, type PlacedScan, placeScan, scanSize, sure } from './place-scan.js';
import { applyAcRefinement, applyDcRefinement } from './progressive.js';
import { readStretches } from './stretches.js';

/** The picture's coefficients, all MCUs at their own place in the store; the rest as in `PlacedScan`, for the picture's MCUs. */
export type LayeredPicture = Omit<PlacedScan, 'blocks' | 'refinement'> & {
  readonly blocks: readonly { readonly component: number }[];
  /** By MCU: the least of what place, brightness and detail are. */
  readonly grades: Uint8Array;
};

/**
 * Reads all scans, each by itself.
 *
 * @param bytes the file, anything in its gaps; not changed, not kept
 * @param gaps missing ranges, half open, in order, disjoint
 * @returns `null` where nothing of it can be shown
 */
export function readLayers(
  bytes: Uint8Array,
  gaps: Gaps,
  { frame, scans }: JpegHeader,
  layout: Layout,
  quantisation: readonly Uint16Array[],
): LayeredPicture | null {
  const blockCount = layout.mcus * layout.blocksPerMcu;
  const store = new Int16Array(64 * blockCount);
  const applied = new Uint32Array(blockCount);
  const planes = { layout, store, applied };
  const place = new Uint8Array(layout.mcus).fill(sure);
  const brightness = new Uint8Array(layout.mcus).fill(sure);
  const seen = frame.components.map(() => 0);
  // By component and coefficient: the bit that scans have come down to, -1 before any.
  const reached = frame.components.map(() => new Int8Array(64).fill(-1));
  const settled = new Map<JpegScan, readonly BitRun[]>();
  let unplaced = 0;
  let fit = 0;
  for (const scan of scans) {
    const bits = scan.components.map((c) => 1 << Math.min(30, seen[c]!++));
    if (!hasTables(scan)) continue;
    // A scan before this one may be lost as a whole; what refines it cannot be read then.
    const follows = scan.components.every((c) =>
      reached[c]!.subarray(scan.spectralStart, scan.spectralEnd + 1).every(
        (bit) => bit === (scan.high === 0 ? -1 : scan.high),
      ),
    );
    if (!follows) continue;
    for (const c of scan.components) reached[c]!.fill(scan.low, scan.spectralStart, scan.spectralEnd + 1);
    const data = readStretches(bytes, gaps, scan);
    if (scan.spectralStart === 0 && scan.high === 0) {
      const next = findRefinement(scan, scans);
      const broken = data.stretches.length > 1;
      const refinement = next
        ? readRefinement(bytes, gaps, layout, next)
        : broken
          ? readHiddenRefinement(bytes, gaps, layout, scan, scans)
          : [];
      const placed = placeScan(data, frame, layout, scan, quantisation, refinement);
      if (!placed) continue;
      if (next) settled.set(next, placed.refinement);
      unplaced += placed.unplaced;
      fit += placed.fit;
      copyPlaced(placed, scan, planes, bits, place, brightness);
    } else if (scan.components.length === 1 && scan.spectralStart > 0) {
      if (scan.high === 0) applyFirstAc(planes, scan, data, bits[0]!);
      else applyAcRefinement(planes, scan, data, bits[0]!);
    } else if (scan.spectralStart === 0 && scan.spectralEnd === 0) {
      applyDcRefinement(planes, scan, settled.get(scan) ?? readRefinement(bytes, gaps, layout, scan), bits);
    }
  }
  const complete = seen.map((count) => 2 ** Math.min(31, count) - 1);
  const blocks = layout.parts.flatMap(({ h, v }, component) => Array.from({ length: h * v }, () => ({ component })));
  const source = new Int32Array(layout.mcus);
  const grades = new Uint8Array(layout.mcus);
  const finished = reached.every((bits) => bits.every((bit) => bit === 0));
  for (let m = 0; m < layout.mcus; m++) {
    let all = finished;
    let any = true;
    for (const [b, { component }] of blocks.entries()) {
      const done = applied[m * blocks.length + b]!;
      // Blocks beyond the picture's edge are in no scan of one component.
      if (done !== complete[component] && !isPadding(layout, component, m, b)) all = false;
      if (component === 0 && !(done & 1) && !isPadding(layout, component, m, b)) any = false;
    }
    source[m] = any ? m : -1;
    if (!any) place[m] = missing;
    grades[m] = !any ? missing : all ? gradeOf(place[m]!, brightness[m]!) : coarse;
  }
  if (grades.every((grade) => grade === missing)) return null;
  return { blocks, store, begins: null, kept: 64, source, grades, place, brightness, unplaced, fit };
}

function hasTables(scan: JpegScan): boolean {
  if (scan.spectralStart > 0) return scan.ac[0] !== null;
  return scan.high > 0 || scan.dc.every((table) => table !== null);
}

function copyPlaced(
  placed: PlacedScan,
  scan: JpegScan,
  { layout, store, applied }: { layout: Layout; store: Int16Array; applied: Uint32Array },
  bits: readonly number[],
  place: Uint8Array,
  brightness: Uint8Array,
): void {
  const { mcus } = scanSize(layout, scan);
  const count = placed.blocks.length;
  for (let m = 0; m < mcus; m++) {
    const from = placed.source[m]!;
    for (let b = 0; b < count; b++) {
      const index = blockOfMcu(layout, scan, m, b);
      const mcu = Math.floor(index / layout.blocksPerMcu);
      if (from < 0) continue;
      place[mcu] = Math.min(place[mcu]!, placed.place[m]!);
      brightness[mcu] = Math.min(brightness[mcu]!, placed.brightness[m]!);
      applied[index]! |= bits[placed.blocks[b]!.component]!;
      if (placed.begins) readCoefficients(placed, from * count + b, store.subarray(64 * index, 64 * index + 64));
      else store[64 * index] = placed.store[from * count + b]!;
    }
  }
}

/** Whether block `b` of an MCU lies wholly beyond the component's own blocks. */
function isPadding({ across, parts }: Layout, component: number, mcu: number, b: number): boolean {
  const { first, h, v, blocksAcross, blocksDown } = parts[component]!;
  const inPart = b - first;
  const x = (mcu % across) * h + (inPart % h);
  const y = Math.floor(mcu / across) * v + Math.floor(inPart / h);
  return x >= blocksAcross || y >= blocksDown;
}
