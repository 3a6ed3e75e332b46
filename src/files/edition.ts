// From what is stored under the file numbers to the files that were sent: editions, and for each the content of every segment.
import { normaliseRanges } from '../bytes/ranges.js';
import type { Lane, Ledger, StoredFile } from '../ledger/ledger.js';
import type { FileFacts } from '../mission/mission.js';
import { type ContentReception, findEditions } from '../segments/conflict.js';
import type { Placement } from '../segments/transmission.js';
import { joinFacts } from './facts.js';

/** One file as sent; `null` for what is only known from the descriptor or the catalogue. */
export type Edition = {
  /** `FILE`, or `FILE.EDITION` from the second on. */
  readonly id: string;
  readonly file: number;
  readonly edition: number;
  readonly stored: StoredFile | null;
  /** Number of segments, 0 while unknown. */
  readonly total: number;
  /** What may be true of it, the likeliest first. */
  readonly facts: readonly FileFacts[];
  /** Contents of the segment that arrived in this edition, the most often received first; one but for conflicts. */
  lanesOf(key: number): readonly Lane[];
  /** Keys for which several contents arrived. */
  readonly conflicts: readonly number[];
  /** Whether the transmission `order` was of this edition. */
  covers(order: number): boolean;
};

/** Transmissions in the order of sending: the on-board run above the counter, in one number below 2^53. */
export function transmissionOrder({ onboardRun, shift }: Placement, counter: number): number {
  return onboardRun * 2 ** 43 + counter + shift;
}

/** Undoes `transmissionOrder`: the on-board run, and the unwrapped counter within it. */
export function splitOrder(order: number): { run: number; counter: number } {
  const run = Math.floor(order / 2 ** 43);
  return { run, counter: order - run * 2 ** 43 };
}

type Heard = { first: number; transmissions: number };

/**
 * @param facts all facts known, the catalogue's first
 * @param only restricts to one file number
 * @returns the editions by file number and order of sending, and notes on what was set aside
 */
export function findFileEditions(
  ledger: Ledger,
  placements: ReadonlyMap<string, readonly Placement[]>,
  facts: readonly FileFacts[],
  only?: number,
): { editions: Edition[]; notes: string[] } {
  const notes: string[] = [];
  const heard = firstHeard(ledger, placements);
  const byNumber = new Map<number, { first: number; make: (id: string, edition: number) => Edition }[]>();
  for (const stored of ledger.files.values()) {
    const { file } = stored;
    if (only !== undefined && file !== only) continue;
    const own = joinFacts(facts.filter((known) => known.file === file));
    if (isStray(stored, own, heard, ledger)) {
      notes.push(`One frame names file ${file} with ${stored.segments} segments, which nothing else confirms; it was set aside (its CRC may have passed by accident).`);
      continue;
    }
    const found = byNumber.get(file) ?? [];
    found.push(...editionsOf(stored, own, ledger, placements, heard));
    byNumber.set(file, found);
  }
  const wanted = only === undefined ? facts : facts.filter(({ file }) => file === only);
  for (const { file } of wanted) if (!byNumber.has(file)) byNumber.set(file, [{ first: 0, make: unheard(file, joinFacts(facts.filter((f) => f.file === file)), ledger) }]);
  const editions = [...byNumber.keys()]
    .sort((a, b) => a - b)
    .flatMap((file) =>
      byNumber
        .get(file)!
        .sort((a, b) => a.first - b.first)
        .map(({ make }, i) => make(i === 0 ? String(file) : `${file}.${i + 1}`, i + 1)),
    );
  return { editions, notes };
}

/** When each stored file was first sent, and in how many transmissions it was heard (twice by one station counts twice). */
function firstHeard(ledger: Ledger, placements: ReadonlyMap<string, readonly Placement[]>): Map<string, Heard> {
  const heard = new Map<string, Heard>();
  for (const { sha256, runs } of ledger.receptions.values()) {
    for (const run of runs) {
      const order = transmissionOrder(placements.get(sha256)![run.stretch]!, run.counter);
      const id = `${run.file}-${run.segments}`;
      const before = heard.get(id);
      if (before) {
        before.first = Math.min(before.first, order);
        before.transmissions += run.count;
      } else heard.set(id, { first: order, transmissions: run.count });
    }
  }
  return heard;
}

/** A single frame with an unlikely header: with a CRC of 16 bits, one damaged frame in 65,536 passes. */
function isStray(stored: StoredFile, own: readonly FileFacts[], heard: Map<string, Heard>, ledger: Ledger): boolean {
  const { transmissions } = heard.get(stored.id) ?? { transmissions: 0 };
  const kept = stored.lanes.reduce((sum, { table }) => sum + table.size, 0);
  if (kept === 0) return true;
  if (transmissions > 1 || kept > 1 || stored.segments <= 1) return false;
  const fits = own.some(({ bytes }) => bytes === undefined || segmentsFor(bytes, ledger) === stored.segments);
  const others = [...ledger.files.values()].some((other) => other !== stored && other.file === stored.file);
  return !fits && (others || own.length > 0);
}

function segmentsFor(bytes: number, { payloadSize }: Ledger): number {
  return Math.ceil(bytes / payloadSize);
}

function editionsOf(
  stored: StoredFile,
  facts: readonly FileFacts[],
  ledger: Ledger,
  placements: ReadonlyMap<string, readonly Placement[]>,
  heard: Map<string, Heard>,
): { first: number; make: (id: string, edition: number) => Edition }[] {
  const { file, lanes } = stored;
  const fitting = facts.filter(({ bytes }) => bytes === undefined || stored.segments === 0 || segmentsFor(bytes, ledger) === stored.segments);
  const total = stored.segments || segmentsFor(fitting[0]?.bytes ?? 0, ledger);
  if (lanes.length === 1) {
    const first = heard.get(stored.id)?.first ?? Number.MAX_VALUE;
    const lanesOf = (key: number): readonly Lane[] => (lanes[0]!.table.crcOf(key) < 0 ? [] : lanes);
    return [
      { first, make: (id, edition) => ({ id, file, edition, stored, total, facts: fitting, lanesOf, conflicts: [], covers: () => true }) },
    ];
  }
  const receptions = receptionsOf(stored, ledger, placements);
  const spans = findEditions(receptions);
  return spans.map((span, i) => {
    const covers = (order: number): boolean => order >= span.from && order < span.to;
    const counts = new Map<number, Map<number, number>>();
    for (const { key, lane } of receptions.filter(({ order }) => covers(order))) {
      const own = counts.get(key) ?? new Map<number, number>();
      own.set(lane, (own.get(lane) ?? 0) + 1);
      counts.set(key, own);
    }
    const lanesOf = (key: number): readonly Lane[] => {
      const own = counts.get(key);
      // Stored but in no reception (a recording cut off by a crash and not handed in again): of use where there is no choice.
      const there = lanes.filter((lane) => lane.table.crcOf(key) >= 0 && (own ? own.has(lane.index) : spans.length === 1));
      return there.sort(
        (a, b) => (own?.get(b.index) ?? 0) - (own?.get(a.index) ?? 0) || a.table.crcOf(key) - b.table.crcOf(key),
      );
    };
    const conflicts = [...counts].filter(([key, own]) => own.size > 1 && lanesOf(key).length > 1).map(([key]) => key);
    conflicts.sort((a, b) => a - b);
    const likely = fitting.length > 1 ? [...fitting.slice(i), ...fitting.slice(0, i)] : fitting;
    return {
      first: i === 0 ? (heard.get(stored.id)?.first ?? Number.MAX_VALUE) : span.from,
      make: (id, edition) => ({ id, file, edition, stored, total, facts: likely, lanesOf, conflicts, covers }),
    };
  });
}

/** Each reception of each transmission once, whoever heard it. */
function receptionsOf(
  stored: StoredFile,
  ledger: Ledger,
  placements: ReadonlyMap<string, readonly Placement[]>,
): ContentReception[] {
  const seen = new Map<string, ContentReception>();
  for (const { sha256, runs } of ledger.receptions.values()) {
    for (const run of runs) {
      if (run.file !== stored.file || run.segments !== stored.segments || run.lane < 0) continue;
      const order = transmissionOrder(placements.get(sha256)![run.stretch]!, run.counter);
      for (let i = 0; i < run.count; i++) {
        const reception = { order: order + i, key: run.key + i * run.step, lane: run.lane };
        seen.set(`${reception.order} ${reception.key} ${reception.lane}`, reception);
      }
    }
  }
  return [...seen.values()];
}

function unheard(file: number, facts: readonly FileFacts[], ledger: Ledger): (id: string, edition: number) => Edition {
  const total = segmentsFor(facts[0]?.bytes ?? 0, ledger);
  return (id, edition) => ({ id, file, edition, stored: null, total, facts, lanesOf: () => [], conflicts: [], covers: () => false });
}

/** Keys of an edition that are there, rising. */
export function keysOf({ stored, lanesOf }: Edition): Iterable<number> {
  if (!stored) return [];
  if (stored.lanes.length === 1) return stored.lanes[0]!.table.keys();
  const keys = new Set(stored.lanes.flatMap(({ table }) => [...table.keys()]));
  return [...keys].filter((key) => lanesOf(key).length > 0).sort((a, b) => a - b);
}

/** What of an edition is there, as half-open ranges of segment numbers or bytes, and how many segments that is. */
export function receivedOf(edition: Edition, ledger: Ledger): { ranges: number[]; segments: number } {
  const { stored, lanesOf } = edition;
  if (!stored) return { ranges: [], segments: 0 };
  if (stored.lanes.length === 1) {
    const { table } = stored.lanes[0]!;
    return { ranges: table.ranges(), segments: table.size };
  }
  const pairs = [...keysOf(edition)].map((key): [number, number] => {
    return [key, ledger.byOffset ? key + lanesOf(key)[0]!.table.lengthOf(key) : key + 1];
  });
  return { ranges: normaliseRanges(pairs), segments: pairs.length };
}
