// Lines: frames that were sent one after the other and carry one file's segments in step. What receptions say about the order of
// sending is a list of lines; two stations heard the same transmissions where their lines agree.
import { normaliseRanges, rangePairs } from '../bytes/ranges.js';
import { type Run, storedId } from './run.js';

/** The transmissions `[start, end)` carry `key + (transmission - start) * step` of one file. */
export type Line = {
  start: number;
  end: number;
  readonly file: number;
  /** What the frames state of the file's size, see `Run.segments`. */
  readonly segments: number;
  /** See `Run.instance`. */
  readonly instance?: number | undefined;
  key: number;
  readonly step: number;
};

/** The line of a run whose first frame is transmission `start`. */
export function lineOf({ count, file, segments, instance, key, step }: Run, start: number): Line {
  return { start, end: start + count, file, segments, instance, key, step };
}

/** Transmissions of the file of `line`, from its first segment to its last; 0 where the frames do not state it. */
export function fileFrames({ segments, step }: Line): number {
  return Math.ceil(segments / step);
}

/** The segment, counted in frames from the file's beginning, that transmission `line.end` carries if the line goes on. */
export function nextFrame({ start, end, key, step }: Line): number {
  return key / step + end - start;
}

/** Whether `b` carries what `a` would carry there, were it longer. `shift` is added to the transmissions of `b`. */
export function isInStep(a: Line, b: Line, shift = 0): boolean {
  const sameFile = a.file === b.file && a.segments === b.segments && a.instance === b.instance && a.step === b.step;
  // Differences only: a product of a transmission number and a step may pass 2^53.
  return sameFile && b.key - a.key === (b.start + shift - a.start) * a.step;
}

/** Every reception of a transmission once, whoever heard it; lines of contents that contradict each other may overlap. */
export function distinctLines<T extends Line>(lines: Iterable<T>): T[] {
  const groups = new Map<string, { like: T; pairs: [number, number][] }>();
  for (const line of lines) {
    const { step } = line;
    const name = `${storedId(line)} ${step} ${line.start - Math.floor(line.key / step)} ${line.key % step}`;
    const group = groups.get(name);
    if (group) group.pairs.push([line.start, line.end]);
    else groups.set(name, { like: line, pairs: [[line.start, line.end]] });
  }
  return [...groups.values()].flatMap(({ like, pairs }) =>
    rangePairs(normaliseRanges(pairs)).map(([start, end]) => {
      return { ...like, start, end, key: like.key + (start - like.start) * like.step };
    }),
  );
}

/**
 * Lines sorted, joined where they touch in step, and without overlap: where two contradict each other (a CRC passed by accident)
 * the one that begins first stands, of two that begin together the longer.
 */
export function mergeLines<T extends Line>(lines: readonly T[]): T[] {
  const sorted = [...lines].sort(
    (a, b) =>
      a.start - b.start ||
      b.end - a.end ||
      a.file - b.file ||
      a.segments - b.segments ||
      a.key - b.key ||
      a.step - b.step,
  );
  const merged: T[] = [];
  for (const line of sorted) {
    const last = merged.at(-1);
    if (last && line.start <= last.end && isInStep(last, line)) last.end = Math.max(last.end, line.end);
    else if (!last || line.start >= last.end) merged.push({ ...line });
    else if (line.end > last.end) {
      merged.push({ ...line, start: last.end, key: line.key + (last.end - line.start) * line.step });
    }
  }
  return merged;
}

/**
 * Counts the transmissions in both, and whether they carry the same segment in both. Both lists are as `mergeLines` makes them.
 *
 * @param shift added to the transmissions of `own`
 * @param mostDisagree where more than these disagree, the rest is not looked at
 */
export function compareLines(
  placed: readonly Line[],
  own: readonly Line[],
  shift: number,
  mostDisagree: number,
): { agree: number; disagree: number } {
  let agree = 0;
  let disagree = 0;
  if (own.length === 0) return { agree, disagree };
  let i = firstEndingAfter(placed, own[0]!.start + shift);
  let j = i < placed.length ? firstEndingAfter(own, placed[i]!.start - shift) : own.length;
  while (i < placed.length && j < own.length && disagree <= mostDisagree) {
    const a = placed[i]!;
    const b = own[j]!;
    const overlap = Math.min(a.end, b.end + shift) - Math.max(a.start, b.start + shift);
    if (overlap > 0 && isInStep(a, b, shift)) agree += overlap;
    else if (overlap > 0) disagree += overlap;
    if (a.end <= b.end + shift) i++;
    else j++;
  }
  return { agree, disagree };
}

/** Index of the first line that ends after `at`. */
function firstEndingAfter(lines: readonly Line[], at: number): number {
  let low = 0;
  let high = lines.length;
  while (low < high) {
    const middle = (low + high) >> 1;
    if (lines[middle]!.end > at) high = middle;
    else low = middle + 1;
  }
  return low;
}
