// Sets of whole numbers as sorted, disjoint, half-open ranges, kept flat: [start, end, start, end, …].

export type Ranges = readonly number[];

/** Sorts and joins `[start, end)` pairs given in any order, overlapping or touching. */
export function normaliseRanges(pairs: Iterable<readonly [number, number]>): number[] {
  const sorted = [...pairs].filter(([start, end]) => end > start).sort((a, b) => a[0] - b[0]);
  const joined: number[] = [];
  for (const [start, end] of sorted) {
    const last = joined.length - 1;
    if (last > 0 && start <= joined[last]!) joined[last] = Math.max(joined[last]!, end);
    else joined.push(start, end);
  }
  return joined;
}

/** How many numbers the set holds. */
export function rangesLength(ranges: Ranges): number {
  let sum = 0;
  for (let i = 0; i < ranges.length; i += 2) sum += ranges[i + 1]! - ranges[i]!;
  return sum;
}

export function unionRanges(sets: readonly Ranges[]): number[] {
  return normaliseRanges(sets.flatMap((set) => rangePairs(set)));
}

export function intersectRanges(a: Ranges, b: Ranges): number[] {
  const both: number[] = [];
  for (let i = 0, j = 0; i < a.length && j < b.length; ) {
    const start = Math.max(a[i]!, b[j]!);
    const end = Math.min(a[i + 1]!, b[j + 1]!);
    if (start < end) both.push(start, end);
    if (a[i + 1]! < b[j + 1]!) i += 2;
    else j += 2;
  }
  return both;
}

/** What of `a` is not in `b`. */
export function subtractRanges(a: Ranges, b: Ranges): number[] {
  const left: number[] = [];
  let j = 0;
  for (let i = 0; i < a.length; i += 2) {
    let start = a[i]!;
    const end = a[i + 1]!;
    while (j < b.length && b[j + 1]! <= start) j += 2;
    for (let k = j; k < b.length && b[k]! < end; k += 2) {
      if (b[k]! > start) left.push(start, b[k]!);
      start = Math.max(start, b[k + 1]!);
    }
    if (start < end) left.push(start, end);
  }
  return left;
}

/** The half-open pairs of a set, one array each. */
export function rangePairs(ranges: Ranges): [number, number][] {
  const pairs: [number, number][] = [];
  for (let i = 0; i < ranges.length; i += 2) pairs.push([ranges[i]!, ranges[i + 1]!]);
  return pairs;
}

/** For reports, which alone speak of first and last: `[start, end)` becomes `[start, end - 1]`. */
export function firstLast(ranges: Ranges): [number, number][] {
  return rangePairs(ranges).map(([start, end]) => [start, end - 1]);
}
