// A strip reduced to what can be drawn: for each column of a window the lowest count in it, and sums in words.
import type { StripRuns } from '../../report/strip-code.js';
import type { StretchWindow } from './stretch-window.js';

/** Index of the run that holds position `at`. */
export function runAt({ starts, counts }: StripRuns, at: number): number {
  let low = 0;
  let high = counts.length - 1;
  while (low < high) {
    const middle = (low + high + 1) >> 1;
    if (starts[middle]! <= at) low = middle;
    else high = middle - 1;
  }
  return low;
}

/** The lowest count in each of `columns` equal parts of the window; at most as many columns as the window has positions. */
export function stripColumns(runs: StripRuns, { start, end }: StretchWindow, columns: number): Uint8Array {
  const number = Math.max(1, Math.min(columns, end - start));
  const lowest = new Uint8Array(number).fill(255);
  const scale = number / (end - start);
  for (let run = runAt(runs, start); run < runs.counts.length && runs.starts[run]! < end; run++) {
    const from = Math.max(0, Math.floor((runs.starts[run]! - start) * scale));
    const to = Math.min(number, Math.ceil((runs.starts[run + 1]! - start) * scale));
    const times = runs.counts[run]!;
    for (let column = from; column < to; column++) if (times < lowest[column]!) lowest[column] = times;
  }
  return lowest;
}

export type StripSums = { readonly missing: number; readonly once: number; readonly several: number };

export function stripSums(runs: StripRuns, { start, end }: StretchWindow): StripSums {
  const sums = { missing: 0, once: 0, several: 0 };
  for (let run = runAt(runs, start); run < runs.counts.length && runs.starts[run]! < end; run++) {
    const length = Math.min(end, runs.starts[run + 1]!) - Math.max(start, runs.starts[run]!);
    const times = runs.counts[run]!;
    sums[times === 0 ? 'missing' : times === 1 ? 'once' : 'several'] += length;
  }
  return sums;
}

/** The first missing stretch that begins at `from` or later, else the first of all; `null` where nothing is missing. */
export function nextMissing({ starts, counts }: StripRuns, from: number): StretchWindow | null {
  const begins = (run: number): boolean => counts[run] === 0 && starts[run]! >= from;
  const index = counts.findIndex((_, run) => begins(run));
  const run = index >= 0 ? index : counts.indexOf(0);
  return run < 0 ? null : { start: starts[run]!, end: starts[run + 1]! };
}

/** All missing stretches, first and last inclusive, at most `most`; and how many there are. */
export function missingStretches(
  { starts, counts }: StripRuns,
  most: number,
): { ranges: [first: number, last: number][]; number: number } {
  const ranges: [number, number][] = [];
  let number = 0;
  counts.forEach((times, run) => {
    if (times > 0) return;
    number++;
    if (ranges.length < most) ranges.push([starts[run]!, starts[run + 1]! - 1]);
  });
  return { ranges, number };
}

/** Columns at least this many pixels wide stand apart, so that single segments can be told. */
const APART = 10;

/**
 * Bars of equal columns as one SVG path; neighbours of one height are joined where they are narrow.
 *
 * @param heightOf of a column's value; 0 = nothing is drawn
 * @param floor the ordinate the bars stand on
 * @param width of all columns together
 */
export function barPath(
  columns: ArrayLike<number>,
  heightOf: (value: number) => number,
  floor: number,
  width: number,
): string {
  const scale = width / columns.length;
  const apart = scale >= APART;
  const round = (x: number): number => Math.round(x * 100) / 100;
  let path = '';
  for (let from = 0; from < columns.length; ) {
    const height = heightOf(columns[from]!);
    let to = from + 1;
    while (!apart && to < columns.length && heightOf(columns[to]!) === height) to++;
    const wide = round((to - from) * scale - (apart ? 1 : 0));
    if (height > 0) path += `M${round(from * scale)} ${floor}v${-height}h${wide}v${height}z`;
    from = to;
  }
  return path;
}
