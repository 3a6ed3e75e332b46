// Puts one edition together: every segment at its place, holes zero-filled, and says whether it is what was sent.
import { type Ranges, rangePairs, subtractRanges } from '../bytes/ranges.js';
import type { Holdings } from '../ledger/holdings.js';
import type { Lane } from '../ledger/stored-file.js';
import type { FileFacts } from '../mission/mission.js';
import { startChecksum } from './checksum.js';
import { type Edition, keysOf, receivedOf } from './edition.js';

const CHUNK_BYTES = 1 << 20;
/** Work allowed for trying the contents of conflicting segments against the checksum. */
const TRIAL_BYTES = 256 << 20;
const MAX_TRIALS = 256;
/** Zeros written behind the last byte that arrived, at most: a size that is wrong must not fill the disk. */
const MOST_TAIL_BYTES = 2 ** 30;

/** A file is `whole` (checksum matched), `unproven` (all in, no checksum known), `partial` or `disputed`. */
export type FileState = 'whole' | 'unproven' | 'partial' | 'disputed';

export type Assembly = {
  readonly state: FileState;
  /** The facts that hold for this edition: those whose checksum matched, else the likeliest. */
  readonly facts: FileFacts | undefined;
  /** Size as sent; `null` while unknown. */
  readonly bytes: number | null;
  /** Segments there and known in all (0 = unknown). */
  readonly received: number;
  readonly total: number;
  /** Half-open, in segment numbers or bytes. */
  readonly missing: number[];
  /** Half-open byte ranges missing, up to the known size. */
  readonly gaps: number[];
  readonly checksum: { algorithm: string; expected: string; actual: string | null; matches: boolean | null } | null;
  readonly conflicts: { segment: number; variants: number; decided: 'checksum' | 'majority' | 'undecided' }[];
  /** Writes the content, in order, through `write`. Bytes handed over are reused. */
  emit(write: (bytes: Uint8Array) => void): void;
};

type Choice = (key: number) => Lane | undefined;

/**
 * Decides the state of an edition; reads its segments only when they are all there (to prove them) and on `emit`. Where that
 * reading finds segments lost on disk (`Holdings.lostSegments` rises), the result no longer holds: assemble again.
 */
export function assemble(edition: Edition, ledger: Holdings): Assembly {
  const { ranges, segments } = receivedOf(edition, ledger);
  const majority: Choice = (key) => edition.lanesOf(key)[0];
  const bytes = sizeOf(edition, ledger, edition.facts[0]);
  const known = ledger.byOffset ? (bytes ?? 0) : edition.total;
  // While the size is unknown the holes between what came are missing for certain.
  const missing = subtractRanges([0, known || (ranges.at(-1) ?? 0)], ranges);
  // A file delivery tells of empty files too, of which there is nothing but that.
  const isEmpty = bytes === 0 && edition.stored?.lanes.length === 0;
  const complete = edition.stored !== null && (known > 0 || isEmpty) && missing.length === 0;
  const decided = complete ? decide(edition, ledger, ranges) : undefined;
  const facts = decided?.facts ?? edition.facts[0];
  const size = sizeOf(edition, ledger, facts);
  const choice = decided?.choice ?? majority;
  const expected = facts?.checksum;
  const checksum = expected
    ? {
        algorithm: expected.algorithm,
        expected: expected.value,
        actual: decided?.actual ?? null,
        matches: decided?.matches ?? null,
      }
    : null;
  const decision = decided?.matches ? 'checksum' : expected ? 'undecided' : 'majority';
  const last = lastByte(edition, ledger, ranges);
  const extent = size !== null && size >= last - padding(ledger) ? size : last;
  const doubtful = edition.conflicts.length > 0 || (size !== null && !isPossibleSize(size, last, ledger));
  const state = stateOf(complete, decided?.matches, doubtful);
  return {
    state,
    facts,
    bytes: size,
    received: segments,
    total: ledger.byOffset ? totalByOffset(known, missing, segments, ledger.fullLength(edition.stored)) : edition.total,
    missing,
    gaps: subtractRanges([0, extent], toBytes(ranges, ledger, extent)),
    checksum,
    conflicts: edition.conflicts.map((key) => ({
      segment: Math.floor(key / (ledger.byOffset ? ledger.fullLength(edition.stored) : 1)),
      variants: edition.lanesOf(key).length,
      decided: decision,
    })),
    emit: (write) => emit(edition, ledger, choice, Math.min(extent, last + MOST_TAIL_BYTES), write),
  };
}

/** Segments there and as many as the missing bytes need; 0 while the size is unknown. */
function totalByOffset(bytes: number, missing: Ranges, received: number, length: number): number {
  if (bytes === 0) return 0;
  return rangePairs(missing).reduce((sum, [start, end]) => sum + Math.ceil((end - start) / length), received);
}

/** @param matches whether the checksum does; `undefined` where none is known */
function stateOf(complete: boolean, matches: boolean | undefined, doubtful: boolean): FileState {
  if (!complete) return 'partial';
  if (matches !== undefined) return matches ? 'whole' : 'disputed';
  return doubtful ? 'disputed' : 'unproven';
}

/** Tries facts and, where contents conflict, their combinations, until a checksum matches. */
function decide(
  edition: Edition,
  ledger: Holdings,
  ranges: Ranges,
): { facts: FileFacts | undefined; choice: Choice; actual: string | null; matches: boolean } | undefined {
  const provable = edition.facts.filter(({ checksum }) => checksum);
  if (provable.length === 0) return undefined;
  let first: { facts: FileFacts; choice: Choice; actual: string; matches: boolean } | undefined;
  let budget = TRIAL_BYTES;
  for (const choice of choices(edition)) {
    for (const facts of provable) {
      const last = lastByte(edition, ledger, ranges);
      const size = sizeOf(edition, ledger, facts) ?? last;
      const { algorithm, value } = facts.checksum!;
      const checksum = startChecksum(algorithm);
      emit(edition, ledger, choice, size, (bytes) => checksum.update(bytes));
      const actual = checksum.digest(value);
      // A size that the segments contradict is no proof, whatever the checksum says.
      const matches = actual === value && isPossibleSize(size, last, ledger);
      if (matches) return { facts, choice, actual, matches };
      first ??= { facts, choice, actual, matches };
      budget -= size;
    }
    if (budget < 0) break;
  }
  return first;
}

/** The majority's choice first, then other combinations of the conflicting segments' contents, as far as is sensible. */
function* choices(edition: Edition): Iterable<Choice> {
  const options = edition.conflicts.map((key) => ({ key, lanes: edition.lanesOf(key) }));
  const picked = new Map<number, number>();
  for (let trial = 0; trial < MAX_TRIALS; trial++) {
    const snapshot = new Map(picked);
    yield (key) => edition.lanesOf(key)[snapshot.get(key) ?? 0];
    // Counts through the combinations like an odometer.
    let turned = true;
    for (const { key, lanes } of options) {
      const next = ((picked.get(key) ?? 0) + 1) % lanes.length;
      picked.set(key, next);
      turned = next === 0;
      if (!turned) break;
    }
    if (turned) return;
  }
}

/** From the facts, else as the frames state it, else where the last segment ends. */
function sizeOf(edition: Edition, ledger: Holdings, facts: FileFacts | undefined): number | null {
  if (facts?.bytes !== undefined) return facts.bytes;
  if (ledger.byOffset) return edition.stored?.segments || null;
  if (edition.total === 0) return null;
  const last = edition.lanesOf(edition.total - 1)[0];
  return last ? ledger.positionOf(edition.total - 1) + last.table.lengthOf(edition.total - 1) : null;
}

/** Whether a file of which all is there, up to byte `last`, may be of that size: nothing beyond it but padding, nothing short of it. */
function isPossibleSize(bytes: number, last: number, ledger: Holdings): boolean {
  return last - padding(ledger) <= bytes && bytes <= last;
}

/** Bytes at the end of the last segment that may not be the file's: where frames tell neither their length nor the file's. */
function padding({ segmentation }: Holdings): number {
  return segmentation.padding;
}

/** Where the last segment that is there ends, bytes. */
function lastByte(edition: Edition, ledger: Holdings, ranges: Ranges): number {
  const end = ranges.at(-1);
  if (end === undefined || ledger.byOffset) return end ?? 0;
  return ledger.positionOf(end - 1) + (edition.lanesOf(end - 1)[0]?.table.lengthOf(end - 1) ?? 0);
}

function toBytes(ranges: Ranges, ledger: Holdings, extent: number): number[] {
  return rangePairs(ranges).flatMap(([start, end]) => [
    Math.min(extent, ledger.positionOf(start)),
    Math.min(extent, ledger.positionOf(end)),
  ]);
}

function emit(
  edition: Edition,
  ledger: Holdings,
  choice: Choice,
  extent: number,
  write: (bytes: Uint8Array) => void,
): void {
  const buffer = Buffer.alloc(Math.max(CHUNK_BYTES, ledger.payloadSize));
  let position = 0;
  const zeros = (until: number): void => {
    while (position < until) {
      const size = Math.min(CHUNK_BYTES, until - position);
      write(buffer.fill(0, 0, size).subarray(0, size));
      position += size;
    }
  };
  for (const { lane, key, end, count } of pieces(edition, ledger, choice)) {
    const from = ledger.positionOf(key);
    zeros(Math.min(extent, from));
    ledger.readSegments(edition.stored!, lane, key, count, buffer);
    const to = Math.min(extent, end);
    if (to <= position) continue;
    write(buffer.subarray(position - from, to - from));
    position = to;
  }
  zeros(extent);
}

/** Segments that follow each other in one lane, up to a buffer full. `end` = byte after the last one's payload. */
function* pieces(
  edition: Edition,
  ledger: Holdings,
  choice: Choice,
): Iterable<{ lane: Lane; key: number; end: number; count: number }> {
  const most = Math.max(1, Math.floor(CHUNK_BYTES / ledger.fullLength(edition.stored)));
  let piece: { lane: Lane; key: number; end: number; count: number; next: number } | undefined;
  for (const key of keysOf(edition)) {
    const lane = choice(key);
    if (!lane) continue;
    const end = ledger.positionOf(key) + lane.table.lengthOf(key);
    const follows = piece?.lane === lane && piece.next === key && piece.end === ledger.positionOf(key);
    if (piece && follows && piece.count < most) {
      piece.count++;
      piece.end = end;
      piece.next = ledger.nextKey(lane, key);
    } else {
      if (piece) yield piece;
      piece = { lane, key, end, count: 1, next: ledger.nextKey(lane, key) };
    }
  }
  if (piece) yield piece;
}
