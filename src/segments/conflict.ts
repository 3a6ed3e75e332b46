// Several contents with a valid CRC for the same segments of one file: either the file number was used again for a new file (a new
// edition: from some moment on the contents change together), or single contents are wrong (a conflict: a CRC passed by accident).

/** One reception of a segment that has several contents. `order` rises with the time of sending. */
export type ContentReception = { readonly order: number; readonly key: number; readonly lane: number };

/** A stretch of time `[from, to)` in `order` during which one content was sent under the file number. */
export type EditionSpan = { readonly from: number; readonly to: number };

/**
 * Splits the receptions of a file into editions.
 *
 * @param receptions all receptions of the file, of segments with one content too; any order
 * @returns spans in order of time, covering everything; one span when there is one edition
 */
export function findEditions(receptions: readonly ContentReception[]): EditionSpan[] {
  const sorted = [...receptions].sort((a, b) => a.order - b.order || a.key - b.key || a.lane - b.lane);
  return split(sorted, { from: Number.NEGATIVE_INFINITY, to: Number.POSITIVE_INFINITY });
}

function split(sorted: readonly ContentReception[], span: EditionSpan): EditionSpan[] {
  const cut = findCut(sorted);
  if (cut === undefined) return [span];
  const before = sorted.filter(({ order }) => order < cut);
  const after = sorted.filter(({ order }) => order >= cut);
  return [...split(before, { from: span.from, to: cut }), ...split(after, { from: cut, to: span.to })];
}

/** The moment at which most segments change their content for good, if they change together. */
function findCut(sorted: readonly ContentReception[]): number | undefined {
  const changes: { after: number; by: number }[] = [];
  const state = new Map<number, { lane: number; last: number; change: { after: number; by: number } | undefined }>();
  for (const { key, lane, order } of sorted) {
    const seen = state.get(key);
    if (!seen) {
      state.set(key, { lane, last: order, change: undefined });
      continue;
    }
    if (lane !== seen.lane) {
      // A second change may be the next edition: the first one is what this cut is about.
      seen.change ??= { after: seen.last, by: order };
      seen.lane = lane;
    }
    seen.last = order;
  }
  for (const { change } of state.values()) if (change) changes.push(change);
  if (changes.length === 0) return undefined;
  const cut = mostCommonMoment(changes);
  let differ = 0;
  let same = 0;
  const first = new Map<number, number>();
  const counted = new Set<number>();
  const times = [0, 0];
  for (const { key, lane, order } of sorted) {
    times[order < cut ? 0 : 1]!++;
    if (order < cut) first.set(key, lane);
    else if (first.has(key) && !counted.has(key)) {
      counted.add(key);
      if (first.get(key) === lane) same++;
      else differ++;
    }
  }
  const together = differ >= 2 && differ * 10 >= differ + same;
  const short = differ === 1 && same === 0 && Math.min(...times) >= 2;
  return together || short ? cut : undefined;
}

/** The moment that lies within the most of the intervals `(after, by]`; the earliest of several. */
function mostCommonMoment(changes: readonly { after: number; by: number }[]): number {
  const events = changes.flatMap(({ after, by }) => [
    { at: after, open: 1 },
    { at: by, open: -1 },
  ]);
  events.sort((a, b) => a.at - b.at || a.open - b.open);
  let open = 0;
  let most = 0;
  let moment = changes[0]!.by;
  events.forEach(({ at, open: step }, i) => {
    open += step;
    if (open > most) {
      most = open;
      moment = events.slice(i + 1).find((event) => event.open < 0)?.at ?? at;
    }
  });
  return moment;
}
