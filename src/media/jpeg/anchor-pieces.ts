// Pieces of a first DC scan whose place the scan that refines it tells beyond doubt are held there before the search.
import { type BitRun, matchRefinement, settleRuns } from './dc-refinement.js';
import { findPeak, holdPieces } from './hold-pieces.js';
import type { Layout } from './layout.js';
import type { Pieces } from './pieces.js';

/** Pieces that may be this scan's, with what the bits tell of each and each of its places. */
export type Anchored = Pieces & { readonly evidence: readonly Float32Array[]; readonly runs: readonly BitRun[] };

const mostRounds = 3;

/**
 * @param runs bits that refine the scan; what stands first in each is settled along with the pieces that they hold
 * @param parts of the scan's components
 * @param width MCUs in a row
 * @param low place of the last bit of the scan's values
 */
export function anchorPieces(
  decoded: Pieces,
  runs: readonly BitRun[],
  parts: Layout['parts'],
  width: number,
  low: number,
): Anchored {
  let result: Anchored = { ...decoded, evidence: [], runs };
  let open = [...decoded.pieces.keys()];
  const evidence: Float32Array[] = [];
  for (let round = 0; result.runs.length > 0 && round < mostRounds; round++) {
    const { runs: given } = result;
    const pieces = open.map((i) => decoded.pieces[i]!);
    for (const [n, scores] of matchRefinement({ ...decoded, pieces }, given, parts, width, low).entries())
      evidence[open[n]!] = scores;
    const peaks = decoded.pieces.map((piece, i) => findPeak(evidence[i]!, piece));
    const { kept, places } = holdPieces(decoded.pieces, peaks, decoded.totalMcus);
    const lostAfter = kept.length < evidence.length ? -1 : decoded.lostAfter;
    const held = kept.map((i) => ({ ...decoded.pieces[i]!, fixed: places[i]! }));
    const settled = settleRuns({ ...decoded, pieces: held }, given, parts, width, low);
    result = { ...decoded, pieces: held, lostAfter, evidence: kept.map((i) => evidence[i]!), runs: settled };
    open = kept.filter((i) => places[i]! < 0);
    if (settled.every((run, i) => run === given[i]) || open.length === 0) break;
  }
  return result;
}
