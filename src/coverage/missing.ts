// The missing ranges, each with when it was last sent as far as the receptions tell, and how often each segment came. Both count
// segments where segments are named by number, and bytes where they are named by byte offset.
import { intersectRanges, type Ranges, rangePairs, subtractRanges } from '../bytes/ranges.js';
import type { Edition } from '../files/edition.js';
import type { Holdings } from '../ledger/holdings.js';
import { distinctLines, fileFrames, isInStep, type Line, lineOf, mergeLines, nextFrame } from '../segments/line.js';
import { storedId } from '../segments/run.js';
import { type Placements, transmissionOrder } from '../segments/transmission.js';
import type { FileCoverage, MissingRange, Strip } from './coverage.js';

/** What was on the air, in `transmissionOrder`; `base` takes that back to the counter of its on-board run. */
export type SentLine = Line & { readonly run: number; readonly base: number };

/**
 * What was on the air, as far as receptions tell: the lines heard, and between two lines of one file in step what must have been
 * sent in between (a carousel sends a file's segments in order). In the order of sending, without overlap.
 */
export function sentLines(ledger: Holdings, placements: Placements): SentLine[] {
  const heard: SentLine[] = [];
  for (const { xxh64, runs } of ledger.receptions.values()) {
    for (const run of runs) {
      const placement = placements.get(xxh64)![run.stretch]!;
      const line = lineOf(run, transmissionOrder(placement, run.counter));
      heard.push({ ...line, run: placement.onboardRun, base: placement.base });
    }
  }
  const sent: SentLine[] = [];
  for (const line of mergeLines(distinctLines(heard))) {
    // A single frame that fits neither what came before nor what comes after passed its CRC by accident.
    const odd = sent.at(-1);
    const beforeOdd = sent.at(-2);
    if (odd && beforeOdd && odd.end - odd.start === 1 && !isInStep(odd, line) && isInStep(beforeOdd, line)) sent.pop();
    const last = sent.at(-1);
    if (last && isInStep(last, line)) {
      last.end = line.end;
      continue;
    }
    const next = { ...line };
    if (last && fillsGap(last, line)) {
      last.end += fileFrames(last) - nextFrame(last);
      next.start = last.end;
      next.key = 0;
    }
    sent.push(next);
  }
  return sent;
}

/** Whether the rest of the one file and the beginning of the other just fill the gap between two lines. */
function fillsGap(last: SentLine, line: SentLine): boolean {
  const rest = fileFrames(last) - nextFrame(last);
  const beginning = line.key / line.step;
  return last.segments > 0 && last.run === line.run && rest >= 0 && rest + beginning === line.start - last.end;
}

/** Splits each missing range where the time of its last sending breaks, and names that. */
export function missingRanges(
  files: readonly FileCoverage[],
  editions: readonly Edition[],
  sent: readonly SentLine[],
): MissingRange[] {
  const byFile = new Map<string, SentLine[]>();
  // The latest first.
  for (const line of [...sent].reverse()) {
    const id = storedId(line);
    const own = byFile.get(id);
    if (own) own.push(line);
    else byFile.set(id, [line]);
  }
  return files.flatMap(({ id, name, segments }, i) => {
    const { stored, spans } = editions[i]!;
    const lines = stored ? (byFile.get(stored.id) ?? []).flatMap((line) => within(line, spans)) : [];
    return segments.missing.flatMap(([first, last]) =>
      splitByLastSent(first, last + 1, lines).map(([start, end, line]): MissingRange => {
        const lastSent = line && { run: line.run, counter: transmissionOf(start, line) - line.base };
        return { id, name, first: start, last: end - 1, lastSent };
      }),
    );
  });
}

/** The parts of a line in the given ranges of `transmissionOrder`, the latest first. */
function within<T extends Line>(line: T, spans: Ranges): T[] {
  return rangePairs(intersectRanges([line.start, line.end], spans))
    .map(([start, end]) => ({ ...line, start, end, key: line.key + (start - line.start) * line.step }))
    .reverse();
}

/** The transmission in which a line carries segment number or byte `key`. */
function transmissionOf(key: number, line: Line): number {
  return line.start + Math.floor((key - line.key) / line.step);
}

/** @param lines the latest first */
function splitByLastSent(
  start: number,
  end: number,
  lines: readonly SentLine[],
): [start: number, end: number, line: SentLine | null][] {
  const parts: [number, number, SentLine | null][] = [];
  let open: number[] = [start, end];
  for (const line of lines) {
    if (open.length === 0) break;
    const carried = [line.key, line.key + (line.end - line.start) * line.step];
    const here = intersectRanges(open, carried);
    if (here.length === 0) continue;
    parts.push(...rangePairs(here).map(([from, to]): [number, number, SentLine] => [from, to, line]));
    open = subtractRanges(open, carried);
  }
  parts.push(...rangePairs(open).map(([from, to]): [number, number, null] => [from, to, null]));
  return parts.sort((a, b) => a[0] - b[0]);
}

/** How often each segment of each file was received, all stations together, a transmission heard twice counted once. */
export function receptionStrips(
  editions: readonly Edition[],
  files: readonly FileCoverage[],
  ledger: Holdings,
  placements: Placements,
): Strip[] {
  const heard = new Map<string, Line[]>();
  for (const { xxh64, runs } of ledger.receptions.values()) {
    for (const run of runs) {
      if (run.lane < 0) continue;
      const line = lineOf(run, transmissionOrder(placements.get(xxh64)![run.stretch]!, run.counter));
      const id = storedId(run);
      const own = heard.get(id);
      if (own) own.push(line);
      else heard.set(id, [line]);
    }
  }
  const distinct = new Map([...heard].map(([id, lines]) => [id, distinctLines(lines)]));
  return editions.flatMap((edition, i): Strip[] => {
    const { segments, bytes } = files[i]!;
    const total = ledger.byOffset ? (bytes ?? 0) : segments.total;
    if (total === 0) return [];
    const missing = segments.missing.flatMap(([first, last]) => [first, last + 1]);
    const there = subtractRanges([0, total], missing);
    const lines = edition.stored ? (distinct.get(edition.stored.id) ?? []) : [];
    const carried = lines
      .flatMap((line) => within(line, edition.spans))
      .flatMap((line) => carriedBy(line, edition, ledger));
    return [{ id: edition.id, total, runs: countTimes(carried, there, total) }];
  });
}

/** Segment numbers or bytes that a line brought, half open. */
function carriedBy({ start, end, key, step }: Line, edition: Edition, ledger: Holdings): [number, number][] {
  if (!ledger.byOffset) return [[key, key + end - start]];
  return Array.from({ length: end - start }, (_, i): [number, number] => {
    const own = key + i * step;
    return [own, own + (edition.lanesOf(own)[0]?.table.lengthOf(own) ?? 0)];
  });
}

/** `[first, last, times]` from 0 to `total - 1`; what is not in `there` came 0 times, whatever was received (the disk lost it). */
function countTimes(carried: readonly [number, number][], there: Ranges, total: number): Strip['runs'] {
  const events = new Map<number, number>([
    [0, 0],
    [total, 0],
  ]);
  const add = (at: number, step: number): void => void events.set(at, (events.get(at) ?? 0) + step);
  for (const pair of carried) {
    for (const [from, to] of rangePairs(intersectRanges(pair, there))) {
      add(from, 1);
      add(to, -1);
    }
  }
  const cuts = [...events.keys()].sort((a, b) => a - b);
  const runs: Strip['runs'] = [];
  let times = 0;
  cuts.slice(0, -1).forEach((cut, n) => {
    times += events.get(cut)!;
    const last = runs.at(-1);
    if (last?.[2] === times) last[1] = cuts[n + 1]! - 1;
    else runs.push([cut, cuts[n + 1]! - 1, times]);
  });
  return runs;
}
