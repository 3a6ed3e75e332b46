// The missing ranges, each with when it was last sent as far as the receptions tell, and how often each segment came.
import { rangePairs } from '../bytes/ranges.js';
import { type Edition, splitOrder, transmissionOrder } from '../files/edition.js';
import type { Ledger } from '../ledger/ledger.js';
import { type Line, mergeLines, type Placement } from '../segments/transmission.js';
import type { FileCoverage, MissingRange, Strip } from './coverage.js';

type Placements = ReadonlyMap<string, readonly Placement[]>;

/**
 * What was on the air, as far as receptions tell: the lines heard, and between two lines of one file in step what must have been
 * sent in between (a carousel sends a file's segments in order).
 */
export function sentLines(ledger: Ledger, placements: Placements): Line[] {
  const heard: Line[] = [];
  for (const { sha256, runs } of ledger.receptions.values()) {
    for (const { stretch, counter, count, file, segments, key, step } of runs) {
      const start = transmissionOrder(placements.get(sha256)![stretch]!, counter);
      heard.push({ start, end: start + count, file, segments, key, step });
    }
  }
  const sent: Line[] = [];
  for (const line of mergeLines(heard)) {
    const last = sent.at(-1);
    const inStep = last && last.file === line.file && last.segments === line.segments && last.step === line.step;
    if (inStep && line.key - last.key === (line.start - last.start) * line.step && line.start >= last.end) {
      last.end = line.end;
      continue;
    }
    const next = { ...line };
    // From one file to the next: the rest of the one and the beginning of the other just fill the gap between them.
    if (last && last.segments > 0 && line.step === 1 && last.segments - (last.key + last.end - last.start) + line.key === line.start - last.end) {
      last.end += last.segments - (last.key + last.end - last.start);
      next.start = last.end;
      next.key = 0;
    }
    sent.push(next);
  }
  return sent;
}

/** Splits each missing range where the time of its last sending breaks, and names that. */
export function missingRanges(
  files: readonly FileCoverage[],
  editions: readonly Edition[],
  sent: readonly Line[],
): MissingRange[] {
  const byFile = new Map<string, Line[]>();
  for (const line of sent) {
    const id = `${line.file}-${line.segments}`;
    byFile.set(id, [...(byFile.get(id) ?? []), line]);
  }
  return files.flatMap(({ id, name, segments }, i) => {
    const edition = editions[i]!;
    const lines = edition.stored ? (byFile.get(edition.stored.id) ?? []) : [];
    return segments.missing.flatMap(([first, last]) =>
      splitByLastSent(first, last + 1, lines, edition).map(([start, end, order]): MissingRange => ({
        id,
        name,
        first: start,
        last: end - 1,
        lastSent: order < 0 ? null : splitOrder(order),
      })),
    );
  });
}

/** `[start, end, order of start's last sending]`, -1 where it is not known. */
function splitByLastSent(start: number, end: number, lines: readonly Line[], { covers }: Edition): [number, number, number][] {
  let parts: [number, number, number][] = [[start, end, -1]];
  // Later sendings overwrite earlier ones.
  for (const line of lines) {
    const from = Math.max(start, line.key);
    const to = Math.min(end, line.key + (line.end - line.start) * line.step);
    const order = line.start + Math.floor((from - line.key) / line.step);
    if (from >= to || !covers(order)) continue;
    parts = parts.flatMap(([a, b, known]): [number, number, number][] => {
      const low = Math.max(a, from);
      const high = Math.min(b, to);
      if (low >= high) return [[a, b, known]];
      const pieces: [number, number, number][] = [];
      if (a < low) pieces.push([a, low, known]);
      pieces.push([low, high, line.start + Math.floor((low - line.key) / line.step)]);
      if (high < b) pieces.push([high, b, known < 0 ? -1 : known + Math.floor((high - a) / line.step)]);
      return pieces;
    });
  }
  return parts;
}

/** How often each segment of each file was received, all stations together, a transmission heard twice counted once. */
export function receptionStrips(editions: readonly Edition[], files: readonly FileCoverage[], ledger: Ledger, placements: Placements): Strip[] {
  const heard = new Map<string, Line[]>();
  for (const { sha256, runs } of ledger.receptions.values()) {
    for (const { stretch, counter, count, file, segments, key, step } of runs) {
      const start = transmissionOrder(placements.get(sha256)![stretch]!, counter);
      const id = `${file}-${segments}`;
      const own = heard.get(id) ?? [];
      own.push({ start, end: start + count, file, segments, key, step });
      heard.set(id, own);
    }
  }
  return editions.flatMap((edition, i): Strip[] => {
    const { total } = files[i]!.segments;
    if (total === 0) return [];
    const events = new Map<number, number>();
    const add = (at: number, step: number): void => void events.set(at, (events.get(at) ?? 0) + step);
    const lines = edition.stored ? mergeLines(heard.get(edition.stored.id) ?? []) : [];
    for (const { start, end, key, step } of lines) {
      if (!edition.covers(start)) continue;
      const first = Math.floor(key / step);
      add(Math.min(total, first), 1);
      add(Math.min(total, first + end - start), -1);
    }
    const runs: Strip['runs'] = [];
    const cuts = [...new Set([0, total, ...events.keys()])].sort((a, b) => a - b);
    let times = 0;
    for (const [start, end] of rangePairs(cuts.slice(0, -1).flatMap((cut, n) => [cut, cuts[n + 1]!]))) {
      times += events.get(start) ?? 0;
      const last = runs.at(-1);
      if (last && last[2] === times) last[1] = end - 1;
      else runs.push([start, end - 1, times]);
    }
    return [{ id: edition.id, total, runs }];
  });
}
