// Several contents with a valid CRC for the same segments of one file: either the file number was used again for a new file (a new
// edition: from some moment on the contents change together), or single contents are wrong (a conflict: a CRC passed by accident).
import { normaliseRanges, type Ranges } from '../bytes/ranges.js';

/** One reception of a segment. `order` rises with the time of sending; `content` is the same for the same bytes. */
export type ContentReception = { readonly order: number; readonly key: number; readonly content: number };

/** A segment's content went from one to another after `after` and not later than `by`. */
type Change = { readonly after: number; readonly by: number };

const ALWAYS = [Number.NEGATIVE_INFINITY, Number.POSITIVE_INFINITY] as const;

/**
 * Splits the receptions of a file into editions.
 *
 * @param receptions all receptions of the file, of segments with one content too, each transmission once; any order
 * @returns for each edition, in the order they first came, when it was sent: half-open ranges of `order`, together covering
 *   everything; several ranges where a content came back (or where the order of sending is wrong)
 */
export function findEditions(receptions: readonly ContentReception[]): Ranges[] {
  const sorted = withoutOdd(
    [...receptions].sort((a, b) => a.order - b.order || a.key - b.key || a.content - b.content),
  );
  const editions: { contents: Map<number, number>; spans: [number, number][] }[] = [];
  for (const { part, from, to } of split(sorted, ...ALWAYS)) {
    const contents = usualContents(part);
    const same = editions.find((edition) => compareContents(edition.contents, contents).isSame);
    if (!same) editions.push({ contents, spans: [[from, to]] });
    else {
      same.spans.push([from, to]);
      for (const [key, content] of contents) if (!same.contents.has(key)) same.contents.set(key, content);
    }
  }
  return editions.map(({ spans }) => normaliseRanges(spans));
}

/** Leaves out contents that came once, between two receptions of one other content: those are conflicts, not changes. */
function withoutOdd(sorted: readonly ContentReception[]): ContentReception[] {
  const byKey = new Map<number, ContentReception[]>();
  for (const reception of sorted) {
    const own = byKey.get(reception.key);
    if (own) own.push(reception);
    else byKey.set(reception.key, [reception]);
  }
  const odd = new Set<ContentReception>();
  for (const own of byKey.values()) {
    own.forEach((reception, i) => {
      const [before, after] = [own[i - 1], own[i + 1]];
      if (before && after && before.content === after.content && before.content !== reception.content)
        odd.add(reception);
    });
  }
  return sorted.filter((reception) => !odd.has(reception));
}

type Part = { readonly part: readonly ContentReception[]; readonly from: number; readonly to: number };

function split(part: readonly ContentReception[], from: number, to: number): Part[] {
  const cut = findCut(part);
  if (cut === undefined) return [{ part, from, to }];
  const at = part.findIndex(({ order }) => order >= cut);
  return [...split(part.slice(0, at), from, cut), ...split(part.slice(at), cut, to)];
}

/** The moment at which most segments change their content, if they change together. */
function findCut(part: readonly ContentReception[]): number | undefined {
  const seen = new Map<number, { content: number; last: number }>();
  const changes = new Map<number, Change>();
  for (const { key, content, order } of part) {
    const before = seen.get(key);
    // A second change may be the next edition: the first one is what this cut is about.
    if (before && before.content !== content && !changes.has(key)) changes.set(key, { after: before.last, by: order });
    seen.set(key, { content, last: order });
  }
  if (changes.size === 0) return undefined;
  const cut = mostCommonMoment([...changes.values()]);
  const at = part.findIndex(({ order }) => order >= cut);
  const [old, next] = [part.slice(0, at), part.slice(at)];
  const before = new Map(old.map(({ key, content }) => [key, content]));
  const after = new Map([...next].reverse().map(({ key, content }) => [key, content]));
  const { differ, same } = compareContents(before, after);
  if (differ >= 2 && differ > same) return cut;
  // A few contents that came once may be accidents; what came twice, before as well as after, is none.
  const [oldTimes, nextTimes] = [countContents(old), countContents(next)];
  const sure = [...before].some(([key, content]) => {
    const later = after.get(key);
    const twice = later !== undefined && oldTimes.get(key)!.get(content)! >= 2 && nextTimes.get(key)!.get(later)! >= 2;
    return twice && later !== content;
  });
  return sure && differ * 10 >= differ + same ? cut : undefined;
}

/** Of each segment, how often each content was received. */
function countContents(part: readonly ContentReception[]): Map<number, Map<number, number>> {
  const counts = new Map<number, Map<number, number>>();
  for (const { key, content } of part) {
    const own = counts.get(key) ?? new Map<number, number>();
    own.set(content, (own.get(content) ?? 0) + 1);
    counts.set(key, own);
  }
  return counts;
}

/** Of each segment the content received most often, the first received of several. */
function usualContents(part: readonly ContentReception[]): Map<number, number> {
  return new Map(
    [...countContents(part)].map(([key, own]) => [key, [...own].reduce((a, b) => (b[1] > a[1] ? b : a))[0]]),
  );
}

function compareContents(
  a: ReadonlyMap<number, number>,
  b: ReadonlyMap<number, number>,
): { same: number; differ: number; isSame: boolean } {
  let same = 0;
  let differ = 0;
  for (const [key, content] of a) {
    const other = b.get(key);
    if (other === content) same++;
    else if (other !== undefined) differ++;
  }
  return { same, differ, isSame: same > 0 && differ === 0 };
}

/** The moment that lies within the most changes; the earliest of several. */
function mostCommonMoment(changes: readonly Change[]): number {
  const events = changes.flatMap(({ after, by }) => [
    { at: after, step: 1 },
    { at: by, step: -1 },
  ]);
  events.sort((a, b) => a.at - b.at || a.step - b.step);
  let open = 0;
  let most = 0;
  let moment = changes[0]!.by;
  events.forEach(({ step }, i) => {
    open += step;
    if (open <= most) return;
    most = open;
    moment = events.slice(i + 1).find((event) => event.step < 0)!.at;
  });
  return moment;
}
