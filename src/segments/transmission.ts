// Names transmissions: which stretches of which recordings belong to one on-board run, and by how much each is shifted so that
// equal counters mean the same transmission. Computed from all receptions together, so it is the same in whatever order they came.
//
// Method: the stretches are placed one by one, the richest first. A stretch goes where its contents agree with what is placed
// already (same counter, same segment); the counter's width leaves only multiples of its modulus to try. Without overlap it
// joins the run that its recording's order and clock allow.
import type { Run } from './reception.js';

/** What the placement needs of a recording. */
export type HeardRecording = {
  /** Identity, for a fixed order. */
  readonly sha256: string;
  /** Milliseconds since 1970 UTC, of a clock that may be wrong; `null` when unknown. */
  readonly startedAt: number | null;
  readonly stretches: readonly number[];
  readonly runs: readonly Run[];
};

/** Where a stretch belongs: add `shift` to its counters. Runs of the spacecraft count from 1, in the order they happened. */
export type Placement = { readonly onboardRun: number; readonly shift: number };

/** Frames that follow each other with rising segments: the transmissions `[start, end)` carry `key + (counter - start) * step`. */
export type Line = { start: number; end: number; file: number; segments: number; key: number; step: number };

type Stretch = { recording: HeardRecording; index: number; lines: Line[]; frames: number; first: number; last: number };
type OnboardRun = { lines: Line[]; members: { stretch: Stretch; shift: number }[] };
type Candidate = { target: OnboardRun; shift: number; agree: number; disagree: number; clock: number };

/** Share of overlapping frames that may disagree (frames whose CRC passed by accident) before two stretches are different runs. */
const TOLERATED = 0.02;
const MAX_SHIFTS = 4096;
/** A counter this low after a higher one is a reboot, not a recording that overlaps itself. */
const RESTART_BELOW = 1024;
/** Station clocks are trusted this far when they alone decide. */
const CLOCK_LIMIT_MS = 3_600_000;

/**
 * @param bits width of the counter
 * @param frameSeconds time from one transmission to the next, when the rate is known
 * @returns for each recording (by SHA-256) the placement of each of its stretches
 */
export function placeTransmissions(
  recordings: readonly HeardRecording[],
  bits: number,
  frameSeconds?: number,
): Map<string, Placement[]> {
  const modulus = 2 ** bits;
  const stretches = recordings.flatMap(stretchesOf);
  stretches.sort(
    (a, b) => b.frames - a.frames || compareText(a.recording.sha256, b.recording.sha256) || a.index - b.index,
  );
  const runs: OnboardRun[] = [];
  for (const stretch of stretches) {
    const best = bestCandidate(stretch, runs, modulus, frameSeconds);
    const target = best?.target ?? { lines: [], members: [] };
    if (!best) runs.push(target);
    const shift = best?.shift ?? 0;
    target.members.push({ stretch, shift });
    target.lines = mergeLines([...target.lines, ...shiftLines(stretch.lines, shift)]);
  }
  const placements = new Map<string, Placement[]>(recordings.map(({ sha256 }) => [sha256, []]));
  orderRuns(runs).forEach((run, i) => {
    for (const { stretch, shift } of run.members) {
      placements.get(stretch.recording.sha256)![stretch.index] = { onboardRun: i + 1, shift };
    }
  });
  return placements;
}

function stretchesOf(recording: HeardRecording): Stretch[] {
  const lines: Line[][] = recording.stretches.map(() => []);
  for (const { stretch, counter, count, file, segments, key, step } of recording.runs) {
    lines[stretch]!.push({ start: counter, end: counter + count, file, segments, key, step });
  }
  return lines.map((own, index) => {
    const merged = mergeLines(own);
    const frames = merged.reduce((sum, line) => sum + line.end - line.start, 0);
    return { recording, index, lines: merged, frames, first: merged[0]?.start ?? 0, last: merged.at(-1)?.end ?? 0 };
  });
}

function bestCandidate(
  stretch: Stretch,
  runs: readonly OnboardRun[],
  modulus: number,
  frameSeconds: number | undefined,
): Candidate | undefined {
  let best: Candidate | undefined;
  for (const target of runs) {
    for (const shift of shiftsToTry(stretch, target, modulus)) {
      const { agree, disagree } = compareLines(target.lines, stretch.lines, shift);
      if (disagree > agree * TOLERATED) continue;
      const clock = clockError(stretch, shift, target, frameSeconds);
      const restarts = (stretch.recording.stretches[stretch.index] ?? 0) < RESTART_BELOW;
      if (agree === 0 && (modulus < 2 ** 17 || clock > CLOCK_LIMIT_MS)) continue;
      if ((agree === 0 || restarts) && !keepsOrder(stretch, shift, target)) continue;
      const candidate = { target, shift, agree, disagree, clock };
      if (!best || isBetter(candidate, best)) best = candidate;
    }
  }
  return best;
}

/** More agreement first; then, as for stretches that do not overlap, the better clock, then the smaller shift. */
function isBetter(a: Candidate, b: Candidate): boolean {
  if (a.agree !== b.agree) return a.agree > b.agree;
  if (a.clock !== b.clock) return a.clock < b.clock;
  return Math.abs(a.shift) < Math.abs(b.shift);
}

function shiftsToTry(stretch: Stretch, target: OnboardRun, modulus: number): number[] {
  const low = target.lines[0]?.start ?? 0;
  const high = target.lines.at(-1)?.end ?? 0;
  const from = Math.ceil((low - stretch.last) / modulus);
  const to = Math.floor((high - stretch.first) / modulus);
  const turns = new Set([0]);
  for (let turn = from; turn <= to && turns.size < MAX_SHIFTS; turn++) turns.add(turn);
  return [...turns].map((turn) => turn * modulus);
}

/** Within one recording time goes forward: stretches that follow each other in it do so on board as well. */
function keepsOrder(stretch: Stretch, shift: number, target: OnboardRun): boolean {
  return target.members.every(({ stretch: other, shift: otherShift }) => {
    if (other.recording !== stretch.recording) return true;
    return other.index < stretch.index
      ? other.last + otherShift <= stretch.first + shift
      : stretch.last + shift <= other.first + otherShift;
  });
}

/** By how much the recording's clock and the members' best one differ, ms, if this placement holds; 0 where clocks or rate are unknown. */
function clockError(stretch: Stretch, shift: number, target: OnboardRun, frameSeconds: number | undefined): number {
  const own = epochOf(stretch, shift, frameSeconds);
  if (own === undefined) return 0;
  let least = Number.POSITIVE_INFINITY;
  for (const member of target.members) {
    const epoch = epochOf(member.stretch, member.shift, frameSeconds);
    if (epoch !== undefined) least = Math.min(least, Math.abs(epoch - own));
  }
  return Number.isFinite(least) ? least : 0;
}

/** When counter 0 of the run was sent, by the recording's clock; only its first stretch starts with the recording. */
function epochOf(stretch: Stretch, shift: number, frameSeconds: number | undefined): number | undefined {
  const { startedAt } = stretch.recording;
  if (startedAt === null || frameSeconds === undefined || stretch.index > 0) return undefined;
  return startedAt - (stretch.first + shift) * frameSeconds * 1000;
}

function shiftLines(lines: readonly Line[], shift: number): Line[] {
  return lines.map((line) => ({ ...line, start: line.start + shift, end: line.end + shift }));
}

/** The segment key a line would have carried at counter 0: equal for lines that continue each other. */
function originOf(line: Line): number {
  return line.key - line.start * line.step;
}

function isSameLine(a: Line, b: Line): boolean {
  return a.file === b.file && a.segments === b.segments && a.step === b.step && originOf(a) === originOf(b);
}

/** Sorts lines by counter and joins those that overlap or touch and carry the same file in step. */
export function mergeLines(lines: readonly Line[]): Line[] {
  const sorted = [...lines].sort((a, b) => a.start - b.start || a.end - b.end || a.file - b.file || a.key - b.key);
  const merged: Line[] = [];
  for (const line of sorted) {
    const last = merged.at(-1);
    if (last && line.start <= last.end && isSameLine(last, line)) last.end = Math.max(last.end, line.end);
    else merged.push({ ...line });
  }
  return merged;
}

/** Counts the transmissions in both, and whether they carry the same segment in both. */
function compareLines(placed: readonly Line[], own: readonly Line[], shift: number): { agree: number; disagree: number } {
  let agree = 0;
  let disagree = 0;
  for (let i = 0, j = 0; i < placed.length && j < own.length; ) {
    const a = placed[i]!;
    const b = own[j]!;
    const overlap = Math.min(a.end, b.end + shift) - Math.max(a.start, b.start + shift);
    if (overlap > 0) {
      const same = isSameLine(a, { ...b, start: b.start + shift });
      if (same) agree += overlap;
      else disagree += overlap;
    }
    if (a.end <= b.end + shift) i++;
    else j++;
  }
  return { agree, disagree };
}

/** By the order within recordings, then by the recordings' clocks, then by counter. */
function orderRuns(runs: readonly OnboardRun[]): OnboardRun[] {
  const after = new Map<OnboardRun, Set<OnboardRun>>(runs.map((run) => [run, new Set()]));
  const byRecording = new Map<string, { index: number; run: OnboardRun }[]>();
  for (const run of runs) {
    for (const { stretch } of run.members) {
      const own = byRecording.get(stretch.recording.sha256) ?? [];
      own.push({ index: stretch.index, run });
      byRecording.set(stretch.recording.sha256, own);
    }
  }
  for (const visits of byRecording.values()) {
    visits.sort((a, b) => a.index - b.index);
    visits.slice(1).forEach(({ run }, i) => {
      if (run !== visits[i]!.run) after.get(run)!.add(visits[i]!.run);
    });
  }
  const clock = (run: OnboardRun): number =>
    Math.min(...run.members.map(({ stretch }) => stretch.recording.startedAt ?? Number.POSITIVE_INFINITY));
  const waiting = [...runs].sort(
    (a, b) => compareNumbers(clock(a), clock(b)) || (a.lines[0]?.start ?? 0) - (b.lines[0]?.start ?? 0),
  );
  const ordered: OnboardRun[] = [];
  while (waiting.length > 0) {
    const free = waiting.findIndex((run) => [...after.get(run)!].every((before) => !waiting.includes(before)));
    ordered.push(...waiting.splice(Math.max(0, free), 1));
  }
  return ordered;
}

function compareNumbers(a: number, b: number): number {
  return a === b ? 0 : a < b ? -1 : 1;
}

function compareText(a: string, b: string): number {
  return a === b ? 0 : a < b ? -1 : 1;
}
