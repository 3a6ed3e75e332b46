// Which pieces of a scan have a place beyond doubt: by evidence of their own, or by the count from the begin or end of the scan.
// They have to follow each other with room for the pieces between them; what does not fit in behind the last is not the scan's.

/** Log-likelihood over the best other place, and over any place that is not known, from which a place is certain. */
const certain = 16;
/** What the count from the begin or end of the scan weighs against that. */
const counted = 60;

type Anchor = { readonly index: number; readonly at: number; readonly weight: number };

/** A run of MCUs or blocks; `fixed` is its place by count, -1 where there is none. */
type Holdable = { readonly count: number; readonly fixed: number };

/** What the evidence for all places of a piece comes to. */
export type Peak = {
  readonly at: number;
  /** Over the best other place, and over any place that is not known. */
  readonly margin: number;
  /** What tells of the place it has by count; 0 where there is none. */
  readonly atFixed: number;
};

/** @param scores by place: log-likelihood; the last is the last place that the piece can have */
export function findPeak(scores: Float32Array, { fixed }: Pick<Holdable, 'fixed'>): Peak {
  let best = 0;
  for (let at = 1; at < scores.length; at++) if (scores[at]! > scores[best]!) best = at;
  let rival = 0;
  for (let at = 0; at < scores.length; at++) if (at !== best && scores[at]! > rival) rival = scores[at]!;
  return { at: best, margin: (scores[best] ?? 0) - rival, atFixed: scores[fixed] ?? 0 };
}

/**
 * @param peaks by piece
 * @param total MCUs or blocks of the scan
 * @returns the pieces that fit, in order, and the place of each of all that is held, else -1
 */
export function holdPieces(
  pieces: readonly Holdable[],
  peaks: readonly Peak[],
  total: number,
): { kept: number[]; places: Int32Array } {
  const held = consistent(findAnchors(pieces, peaks), pieces, total);
  const kept = [...pieces.keys()];
  const last = held.at(-1);
  const end = last ? last.at + pieces[last.index]!.count : 0;
  let behind = pieces.slice((last?.index ?? -1) + 1).reduce((sum, { count }) => sum + count, 0);
  for (; behind > total - end; ) behind -= pieces[kept.pop()!]!.count;
  const places = new Int32Array(pieces.length).fill(-1);
  for (const { index, at } of held) places[index] = at;
  return { kept, places };
}

function findAnchors(pieces: readonly Holdable[], peaks: readonly Peak[]): Anchor[] {
  const anchors: Anchor[] = [];
  for (const [index, { fixed }] of pieces.entries()) {
    const { at, margin, atFixed } = peaks[index]!;
    if (margin >= certain) anchors.push({ index, at, weight: margin });
    if (fixed >= 0 && fixed !== at && atFixed > -certain) anchors.push({ index, at: fixed, weight: counted });
    else if (fixed >= 0 && margin < certain) anchors.push({ index, at: fixed, weight: counted });
  }
  return anchors;
}

/** The heaviest chain of anchors in which all pieces between two of them have room. */
function consistent(anchors: readonly Anchor[], pieces: readonly Holdable[], total: number): Anchor[] {
  const before = [0];
  for (const { count } of pieces) before.push(before.at(-1)! + count);
  const sums: number[] = [];
  const from: number[] = [];
  let best = -1;
  for (const [j, { index, at, weight }] of anchors.entries()) {
    const fits = at >= before[index]! && at + pieces[index]!.count <= total;
    sums[j] = fits ? weight : Number.NEGATIVE_INFINITY;
    from[j] = -1;
    for (let i = 0; i < j && fits; i++) {
      const earlier = anchors[i]!;
      const room = at - earlier.at - (before[index]! - before[earlier.index]!);
      if (earlier.index < index && room >= 0 && sums[i]! + weight > sums[j]!)
        [sums[j], from[j]] = [sums[i]! + weight, i];
    }
    if (sums[j]! > (sums[best] ?? 0)) best = j;
  }
  const chain: Anchor[] = [];
  for (let j = best; j >= 0; j = from[j]!) chain.unshift(anchors[j]!);
  return chain;
}
