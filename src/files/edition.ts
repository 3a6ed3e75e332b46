// From what is stored under the file numbers to the files that were sent: editions, and for each the content of every segment.
import { normaliseRanges, type Ranges } from '../bytes/ranges.js';
import type { Holdings } from '../ledger/holdings.js';
import type { Lane, StoredFile } from '../ledger/stored-file.js';
import type { FileFacts } from '../mission/mission.js';
import { fileLabel } from '../mission/segmentation.js';
import { type ContentReception, findEditions } from '../segments/conflict.js';
import { distinctLines, type Line, lineOf } from '../segments/line.js';
import { storedId } from '../segments/run.js';
import { type Placements, transmissionOrder } from '../segments/transmission.js';
import { joinFacts } from './facts.js';

/** One file as sent; `stored` is `null` for what is only known from the descriptor or the catalogue. */
export type Edition = {
  /** `FILE`, or `FILE.EDITION` from the second on; FILE as `fileLabel` gives it. */
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
  /** Half-open ranges of `transmissionOrder` in which the file number meant this edition. */
  readonly spans: Ranges;
};

const ALWAYS: Ranges = [Number.NEGATIVE_INFINITY, Number.POSITIVE_INFINITY];

/** An edition before the editions of its file are numbered; `first` = when it was first sent. */
type Found = Omit<Edition, 'id' | 'edition'> & { readonly first: number };
type Heard = { first: number; transmissions: number };

/**
 * @param facts all facts known, the catalogue's first
 * @param only restricts to one file number
 * @returns the editions by file number and order of sending, and notes on what was set aside
 */
export function findFileEditions(
  ledger: Holdings,
  placements: Placements,
  facts: readonly FileFacts[],
  only?: number,
): { editions: Edition[]; notes: string[] } {
  const notes: string[] = [];
  const heard = firstHeard(ledger, placements);
  const wanted = facts.filter(({ file }) => only === undefined || file === only);
  const factsOf = new Map<number, FileFacts[]>();
  for (const known of wanted) factsOf.set(known.file, joinFacts([...(factsOf.get(known.file) ?? []), known]));
  const storedOf = new Map<number, StoredFile[]>();
  for (const stored of ledger.files.values()) {
    const { file } = stored;
    if (only !== undefined && file !== only) continue;
    if (isStray(stored, factsOf.get(file) ?? [], heard, ledger)) {
      notes.push(strayNote(stored, ledger));
      continue;
    }
    const own = storedOf.get(file);
    if (own) own.push(stored);
    else storedOf.set(file, [stored]);
  }
  const numbers = [...new Set([...storedOf.keys(), ...factsOf.keys()])].sort((a, b) => a - b);
  const editions = numbers.flatMap((file) => {
    const label = fileLabel(ledger.mission, file);
    const own = editionsOfFile(storedOf.get(file) ?? [], factsOf.get(file) ?? [], ledger, placements, heard);
    // What was sent first is the first edition; what nobody heard comes last, the same whatever order things were found in.
    own.sort((a, b) => a.first - b.first || (a.stored?.segments ?? 0) - (b.stored?.segments ?? 0));
    return own.map(({ first, ...found }, i): Edition => {
      return { ...found, id: i === 0 ? label : `${label}.${i + 1}`, edition: i + 1 };
    });
  });
  return { editions, notes: notes.sort() };
}

/** When each stored file was first sent, and in how many transmissions it was heard (twice by one station counts twice). */
function firstHeard(ledger: Holdings, placements: Placements): Map<string, Heard> {
  const heard = new Map<string, Heard>();
  for (const { xxh64, runs } of ledger.receptions.values()) {
    for (const run of runs) {
      const order = transmissionOrder(placements.get(xxh64)![run.stretch]!, run.counter);
      const id = storedId(run);
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
function isStray(stored: StoredFile, own: readonly FileFacts[], heard: Map<string, Heard>, ledger: Holdings): boolean {
  const transmissions = heard.get(stored.id)?.transmissions ?? 0;
  const kept = stored.lanes.reduce((sum, { table }) => sum + table.size, 0);
  if (transmissions > 1 || kept !== 1 || (stored.segments > 0 && segmentsOf(stored, ledger) === 1)) return false;
  const others = [...ledger.files.values()].some((other) => other !== stored && other.file === stored.file);
  return !own.some((facts) => fits(facts, stored, ledger)) && (others || own.length > 0);
}

function strayNote(stored: StoredFile, ledger: Holdings): string {
  const file = fileLabel(ledger.mission, stored.file);
  const size =
    stored.segments === 0 ? 'no size' : ledger.byOffset ? `${stored.segments} bytes` : `${stored.segments} segments`;
  return `One frame names file ${file} with ${size}, which nothing else confirms; it was set aside (its CRC may have passed by accident).`;
}

/** Number of segments as the frames state it, 0 where they do not. */
function segmentsOf(stored: StoredFile, ledger: Holdings): number {
  const { segments } = stored;
  return ledger.byOffset ? segmentsFor(segments, stored, ledger) : segments;
}

function segmentsFor(bytes: number, stored: StoredFile | null, ledger: Holdings): number {
  return Math.ceil(bytes / ledger.fullLength(stored));
}

/** Whether the size in `facts` is one that the frames of `stored` may mean. */
function fits({ bytes, stored: only }: FileFacts, stored: StoredFile, ledger: Holdings): boolean {
  if (only !== undefined) return only === stored.id;
  if (bytes === undefined || stored.segments === 0) return true;
  return ledger.byOffset ? bytes === stored.segments : segmentsFor(bytes, stored, ledger) === stored.segments;
}

function editionsOfFile(
  all: readonly StoredFile[],
  facts: readonly FileFacts[],
  ledger: Holdings,
  placements: Placements,
  heard: Map<string, Heard>,
): Found[] {
  const unused = facts.filter((known) => !all.some((stored) => fits(known, stored, ledger)));
  const editions = all.flatMap((stored) => {
    const fitting = facts.filter((known) => fits(known, stored, ledger));
    // Facts of which none fits any of it still say the name and the checksum; the size they give is refuted by the frames.
    const own = unused.length < facts.length ? fitting : facts.map(({ bytes, ...rest }) => rest);
    return editionsOfStored(stored, own, ledger, placements, heard);
  });
  // Editions known from outside, of which nobody heard anything.
  const unheard = unused.length < facts.length ? unused : all.length === 0 ? [facts] : [];
  return [...editions, ...unheard.map((known) => unheardEdition([known].flat(), ledger))];
}

function unheardEdition(facts: readonly FileFacts[], ledger: Holdings): Found {
  const total = segmentsFor(facts[0]?.bytes ?? 0, null, ledger);
  const file = facts[0]!.file;
  return { file, stored: null, total, facts, lanesOf: () => [], conflicts: [], spans: [], first: Number.MAX_VALUE };
}

function editionsOfStored(
  stored: StoredFile,
  facts: readonly FileFacts[],
  ledger: Holdings,
  placements: Placements,
  heard: Map<string, Heard>,
): Found[] {
  const { file, lanes } = stored;
  const bytes = facts.find((known) => known.bytes !== undefined)?.bytes ?? 0;
  const total = segmentsOf(stored, ledger) || segmentsFor(bytes, stored, ledger);
  const first = heard.get(stored.id)?.first ?? Number.MAX_VALUE;
  if (lanes.length <= 1) {
    const lanesOf = (key: number): readonly Lane[] => lanes.filter(({ table }) => table.hashOf(key) >= 0);
    return [{ file, stored, total, facts, lanesOf, conflicts: [], spans: ALWAYS, first }];
  }
  const receptions = receptionsOf(stored, ledger, placements);
  const all = findEditions(receptions);
  return all.map((spans, i): Found => {
    const counts = countContents(receptions, spans);
    const lanesOf = (key: number): readonly Lane[] => {
      const own = counts.get(key);
      const times = (lane: Lane): number => own?.get(contentOf(lane, key)) ?? 0;
      // Stored but in no reception (a recording cut off by a crash and not handed in again): of use where there is no choice.
      const there = lanes.filter((lane) => lane.table.hashOf(key) >= 0 && (own ? times(lane) > 0 : all.length === 1));
      return there.sort((a, b) => times(b) - times(a) || a.table.hashOf(key) - b.table.hashOf(key));
    };
    const conflicts = [...counts.keys()].filter((key) => lanesOf(key).length > 1).sort((a, b) => a - b);
    const likely = facts.length > 1 ? [...facts.slice(i), ...facts.slice(0, i)] : facts;
    return { file, stored, total, facts: likely, lanesOf, conflicts, spans, first: i === 0 ? first : spans[0]! };
  });
}

/** Tells contents of a segment apart whatever lane holds them; one that the disk lost is only known by its lane. */
function contentOf({ table, index }: Lane, key: number): number {
  const hash = table.hashOf(key);
  return hash < 0 ? -1 - index : table.lengthOf(key) * 2 ** 32 + hash;
}

/** Of each segment, how often each content came in the given ranges of `transmissionOrder`. */
function countContents(receptions: readonly ContentReception[], spans: Ranges): Map<number, Map<number, number>> {
  const counts = new Map<number, Map<number, number>>();
  for (const { order, key, content } of receptions) {
    if (!spans.some((from, i) => i % 2 === 0 && order >= from && order < spans[i + 1]!)) continue;
    const own = counts.get(key) ?? new Map<number, number>();
    own.set(content, (own.get(content) ?? 0) + 1);
    counts.set(key, own);
  }
  return counts;
}

/** Each content received in each transmission once, whoever heard it. */
function receptionsOf(stored: StoredFile, ledger: Holdings, placements: Placements): ContentReception[] {
  const byLane = stored.lanes.map((): Line[] => []);
  for (const { xxh64, runs } of ledger.receptions.values()) {
    for (const run of runs) {
      if (storedId(run) !== stored.id) continue;
      byLane[run.lane]?.push(lineOf(run, transmissionOrder(placements.get(xxh64)![run.stretch]!, run.counter)));
    }
  }
  return byLane.flatMap((lines, index) =>
    distinctLines(lines).flatMap(({ start, end, key, step }) =>
      Array.from({ length: end - start }, (_, i): ContentReception => {
        return { order: start + i, key: key + i * step, content: contentOf(stored.lanes[index]!, key + i * step) };
      }),
    ),
  );
}

/** Keys of an edition that are there, rising. */
export function keysOf({ stored, lanesOf }: Edition): Iterable<number> {
  if (!stored) return [];
  if (stored.lanes.length === 1) return stored.lanes[0]!.table.keys();
  const keys = new Set(stored.lanes.flatMap(({ table }) => [...table.keys()]));
  return [...keys].filter((key) => lanesOf(key).length > 0).sort((a, b) => a - b);
}

/** What of an edition is there, as half-open ranges of segment numbers or bytes, and how many segments that is. */
export function receivedOf(edition: Edition, ledger: Holdings): { ranges: number[]; segments: number } {
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
