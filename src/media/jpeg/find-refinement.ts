// The scan that adds a bit to each DC value of another, found among the scans of a picture even where its own header is lost.
import { type BitRun, readDcRefinement } from './dc-refinement.js';
import { type Gaps, gapAfter, type JpegScan } from './header.js';
import type { Layout } from './layout.js';
import { scanSize } from './place-scan.js';
import { readStretches } from './stretches.js';

/** The scan that adds the next bit to the values of `scan`, block for block in the same order. */
export function findRefinement(scan: JpegScan, scans: readonly JpegScan[]): JpegScan | null {
  const order = scan.components.join();
  return (
    scans.find(
      ({ components, spectralEnd, high }) =>
        spectralEnd === 0 && high > 0 && high === scan.low && components.join() === order,
    ) ?? null
  );
}

/** The bits of a scan that refines DC values. */
export function readRefinement(bytes: Uint8Array, gaps: Gaps, layout: Layout, scan: JpegScan): BitRun[] {
  return readDcRefinement(readStretches(bytes, gaps, scan), scan, blocksOf(layout, scan), false);
}

/** What may be such bits, the header of their scan lost: before the end of each scan where a hole comes near it. */
export function readHiddenRefinement(
  bytes: Uint8Array,
  gaps: Gaps,
  layout: Layout,
  scan: JpegScan,
  scans: readonly JpegScan[],
): BitRun[] {
  if (scan.low === 0) return [];
  const total = blocksOf(layout, scan);
  const most = Math.ceil((total / 8) * 1.03) + 32;
  return scans.flatMap((other) => {
    const start = Math.max(other.start, other.end - most);
    const gap = gapAfter(gaps, start);
    if (other === scan || !other.closed || !gap || gap[0] >= other.end) return [];
    const tail = { ...other, start };
    return readDcRefinement(readStretches(bytes, gaps, tail), tail, total, true);
  });
}

function blocksOf(layout: Layout, { components }: JpegScan): number {
  const { mcus } = scanSize(layout, { components });
  const perMcu = components.reduce((sum, c) => sum + layout.parts[c]!.h * layout.parts[c]!.v, 0);
  return components.length === 1 ? mcus : mcus * perMcu;
}
