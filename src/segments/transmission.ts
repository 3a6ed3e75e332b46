// Names transmissions: which stretches of which recordings belong to one on-board run, and by how much each is shifted so that
// equal counters mean the same transmission. Computed from all receptions together, so it is the same in whatever order they came.
//
// Method: the passages of all recordings (passage.ts) are joined, the richest first, where their contents agree: same counter,
// same segment. The counter's width leaves only multiples of its modulus to try. What overlaps with nothing then joins the run
// that the order within recordings and the clocks allow.
//
// What cannot be told: a spacecraft that after a reboot sends the same carousel from the same counter on is heard twice alike.
// Clocks tell the two runs apart where they are further apart than clocks err; else transmissions of both are taken as one. The
// same goes for a narrow counter that turns in step with the carousel. Runs that nothing connects count as runs of their own
// where counters are narrow. The files are right in every case: whatever has one name carries one segment.
import { CarouselOrder } from './carousel-order.js';
import { isNarrowCounter } from './counter.js';
import { compareLines, mergeLines } from './line.js';
import { type HeardRecording, type Passage, passagesOf, shiftLines, stretchLines } from './passage.js';

/**
 * Where a stretch belongs: add `shift` to its counters. Runs of the spacecraft count from 1, in the order they happened; `base`
 * is what makes one number of run and counter, see `transmissionOrder`.
 */
export type Placement = { readonly onboardRun: number; readonly shift: number; readonly base: number };

/** By recording (XXH64), the placement of each of its stretches. */
export type Placements = ReadonlyMap<string, readonly Placement[]>;

type Candidate = { readonly target: Passage; readonly shift: number; readonly agree: number; readonly clock: number };
type Rules = { readonly modulus: number; readonly frameSeconds: number | undefined; readonly apart: boolean };

/**
 * Share of overlapping frames that may disagree before two passages are of different runs. Both may hold frames whose CRC passed
 * by accident; passages of different runs disagree almost everywhere.
 */
const TOLERATED = 0.05;
const MAX_SHIFTS = 4096;
/** A counter this low after a higher one is a reboot, not a recording that overlaps itself. */
const RESTART_BELOW = 1024;
/** Clocks decide between runs with the same contents only where they differ by more than clocks may be wrong. */
const CLOCK_ERROR_MS = 600_000;
/** Without any overlap, clocks that differ by more speak against one run. */
const CLOCK_LIMIT_MS = 3_600_000;
/** Free numbers between two runs: more than any gap that is reckoned with inside one. */
const RUN_GAP = 2 ** 36;

/** Transmissions in the order of sending: on-board run and counter in one number below 2^53. */
export function transmissionOrder({ shift, base }: Placement, counter: number): number {
  return base + counter + shift;
}

/**
 * @param bits width of the counter
 * @param frameSeconds time from one transmission to the next, when the rate is known
 * @returns for each recording (by XXH64) the placement of each of its stretches
 */
export function placeTransmissions(
  recordings: readonly HeardRecording[],
  bits: number,
  frameSeconds?: number,
): Map<string, Placement[]> {
  const modulus = 2 ** bits;
  const narrow = isNarrowCounter(bits);
  const order = narrow ? new CarouselOrder(recordings.flatMap(stretchLines)) : undefined;
  const passages = recordings.flatMap((recording) => passagesOf(recording, { modulus, order, frameSeconds }));
  let runs = joinPassages(passages, { modulus, frameSeconds, apart: false });
  // A narrow counter alone fits everywhere.
  if (!narrow) runs = joinPassages(runs, { modulus, frameSeconds, apart: true });
  const placements = new Map<string, Placement[]>(recordings.map(({ xxh64 }) => [xxh64, []]));
  let next = RUN_GAP;
  orderRuns(runs).forEach(({ lines, members }, i) => {
    const low = lines[0]?.start ?? 0;
    for (const { recording, index, shift } of members) {
      placements.get(recording.xxh64)![index] = { onboardRun: i + 1, shift, base: next - low };
    }
    next += (lines.at(-1)?.end ?? 0) - low + RUN_GAP;
  });
  return placements;
}

/** Placements where nothing counts transmissions: each recording is a run of its own, and none heard what another did. */
export function placeApart(recordings: readonly HeardRecording[]): Map<string, Placement[]> {
  const begun = ({ startedAt }: HeardRecording): number => startedAt ?? Number.MAX_VALUE;
  const sorted = [...recordings].sort((a, b) => compare(begun(a), begun(b)) || compare(a.xxh64, b.xxh64));
  let base = RUN_GAP;
  return new Map(
    sorted.map(({ xxh64, stretches, runs }, i) => {
      const placement = { onboardRun: i + 1, shift: 0, base };
      const last = runs.at(-1);
      base += (last ? last.counter + last.count : 0) + RUN_GAP;
      return [xxh64, stretches.map(() => placement)];
    }),
  );
}

/** Joins until no more join: one that comes late may be what connects two that came before. */
function joinPassages(passages: readonly Passage[], rules: Rules): Passage[] {
  const joined: Passage[] = [];
  for (const own of [...passages].sort(compareRichness)) {
    const best = bestCandidate(own, joined, rules);
    if (best) absorb(best.target, own, best.shift, rules);
    else joined.push(own);
  }
  return joined.length < passages.length ? joinPassages(joined, rules) : joined;
}

function absorb(target: Passage, own: Passage, shift: number, { frameSeconds }: Rules): void {
  target.lines = mergeLines([...target.lines, ...shiftLines(own.lines, shift)]);
  target.frames += own.frames;
  for (const member of own.members) target.members.push({ ...member, shift: member.shift + shift });
  for (const epoch of own.epochs) target.epochs.push(epoch - shift * (frameSeconds ?? 0) * 1000);
}

function bestCandidate(own: Passage, targets: readonly Passage[], rules: Rules): Candidate | undefined {
  let best: Candidate | undefined;
  for (const target of targets) {
    for (const shift of shiftsToTry(own, target, rules)) {
      const most = Math.min(own.frames, target.frames) * TOLERATED;
      const { agree, disagree } = compareLines(target.lines, own.lines, shift, rules.apart ? 0 : most);
      if (disagree > agree * TOLERATED || (agree === 0) !== rules.apart) continue;
      const later = clockDifference(own, shift, target, rules);
      if (rules.apart ? Math.abs(later) > CLOCK_LIMIT_MS : isRebootBetween(own, shift, target, later, rules)) continue;
      if (!keepsOrder(own, shift, target, rules)) continue;
      const candidate = { target, shift, agree, clock: Math.abs(later) };
      if (!best || isBetter(candidate, best)) best = candidate;
    }
  }
  return best;
}

/** The clock where it can tell, else the more agreement; then the better clock, then the smaller shift. */
function isBetter(a: Candidate, b: Candidate): boolean {
  if (Math.abs(a.clock - b.clock) > CLOCK_ERROR_MS) return a.clock < b.clock;
  if (a.agree !== b.agree) return a.agree > b.agree;
  if (a.clock !== b.clock) return a.clock < b.clock;
  return Math.abs(a.shift) < Math.abs(b.shift);
}

/** Whole turns of the counter that make the two overlap; without overlap none, or where clocks can tell those before and after. */
function shiftsToTry(own: Passage, target: Passage, { modulus, apart }: Rules): number[] {
  const [low, high] = extentOf(target);
  const [first, last] = extentOf(own);
  const beyond = apart && own.epochs.length > 0 && target.epochs.length > 0 ? 1 : 0;
  const from = Math.ceil((low - last) / modulus) - beyond;
  const to = Math.floor((high - first) / modulus) + beyond;
  const turns = new Set([0]);
  for (let turn = from; turn <= to && turns.size < MAX_SHIFTS; turn++) turns.add(turn);
  return [...turns].map((turn) => turn * modulus);
}

function extentOf({ lines }: Passage): [number, number] {
  return [lines[0]?.start ?? 0, lines.at(-1)?.end ?? 0];
}

/**
 * Within one recording time goes forward. What it heard in several passages without overlap was not one run; where contents
 * agree, the recording may overlap itself, unless the counter began again from nothing.
 */
function keepsOrder(own: Passage, shift: number, target: Passage, { modulus, apart }: Rules): boolean {
  const wide = !isNarrowCounter(Math.log2(modulus));
  return own.members.every((a) =>
    target.members.every((b) => {
      if (a.recording !== b.recording) return true;
      if (apart) return false;
      const [early, late] = a.index < b.index ? [a, b] : [b, a];
      const restarts = wide && late.recording.stretches[late.index]! < RESTART_BELOW;
      const end = early.last + early.shift + (early === a ? shift : 0);
      return !restarts || end <= late.first + late.shift + (late === a ? shift : 0);
    }),
  );
}

/**
 * Whether the same counters and contents were more likely sent twice: clocks say at different times, and between the two there
 * was time for a reboot and for counting up again. A clock that is wrong by a time zone seldom leaves that time.
 */
function isRebootBetween(
  own: Passage,
  shift: number,
  target: Passage,
  later: number,
  { frameSeconds }: Rules,
): boolean {
  const end = later > 0 ? extentOf(target)[1] : extentOf(own)[1] + shift;
  return Math.abs(later) > CLOCK_ERROR_MS && Math.abs(later) > end * (frameSeconds ?? 0) * 1000;
}

/** By how much `own` was later by the nearest clocks of the two if this placement holds, ms; 0 where clocks or rate are unknown. */
function clockDifference(own: Passage, shift: number, target: Passage, { frameSeconds }: Rules): number {
  let least = Number.POSITIVE_INFINITY;
  for (const epoch of own.epochs) {
    for (const other of target.epochs) {
      const later = epoch - shift * (frameSeconds ?? 0) * 1000 - other;
      if (Math.abs(later) < Math.abs(least)) least = later;
    }
  }
  return Number.isFinite(least) ? least : 0;
}

/** By the order within recordings, then by the recordings' clocks, then by counter. */
function orderRuns(runs: readonly Passage[]): Passage[] {
  const runOf = new Map<string, (readonly [index: number, run: Passage])[]>();
  for (const run of runs) {
    for (const { recording, index } of run.members) {
      const own = runOf.get(recording.xxh64);
      if (own) own.push([index, run]);
      else runOf.set(recording.xxh64, [[index, run]]);
    }
  }
  const after = new Map<Passage, Set<Passage>>(runs.map((run) => [run, new Set()]));
  for (const visits of runOf.values()) {
    visits.sort((a, b) => a[0] - b[0]);
    visits.slice(1).forEach(([, run], i) => {
      const [, before] = visits[i]!;
      if (run !== before) after.get(run)!.add(before);
    });
  }
  const begun = new Map(runs.map((run) => [run, beginningOf(run)]));
  const waiting = new Set(
    [...runs].sort(
      (a, b) =>
        compare(begun.get(a)!, begun.get(b)!) || compare(extentOf(a)[0], extentOf(b)[0]) || compareRichness(a, b),
    ),
  );
  const ordered: Passage[] = [];
  while (waiting.size > 0) {
    const all = [...waiting];
    const next = all.find((run) => ![...after.get(run)!].some((before) => waiting.has(before))) ?? all[0]!;
    waiting.delete(next);
    ordered.push(next);
  }
  return ordered;
}

/** The earliest clock of the recordings that heard a run; unknown ones come last. */
function beginningOf({ members }: Passage): number {
  return members.reduce(
    (least, { recording }) => Math.min(least, recording.startedAt ?? Number.POSITIVE_INFINITY),
    Number.POSITIVE_INFINITY,
  );
}

function compareRichness(a: Passage, b: Passage): number {
  const [first, second] = [a.members[0]!, b.members[0]!];
  return b.frames - a.frames || compare(first.recording.xxh64, second.recording.xxh64) || first.index - second.index;
}

function compare<T extends number | string>(a: T, b: T): number {
  return a === b ? 0 : a < b ? -1 : 1;
}
