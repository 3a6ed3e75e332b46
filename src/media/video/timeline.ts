// Puts a clip's frames in the order and at the times they are shown: by the container's times where it has them, by
// picture order count where not, and says where frames are missing altogether.
import type { AccessUnit } from './access-units.js';
import type { Clip } from './clip.js';
import type { FrameClass, Picture } from './frame-classes.js';

export type TimelineFrame = {
  /** Seconds on the clip's own clock. */
  time: number;
  /** Index of the access unit, or `null` where nothing of the frame arrived. */
  readonly unit: number | null;
  class: FrameClass;
};

export type Timeline = {
  /** In the order shown. */
  readonly frames: TimelineFrame[];
  /** Frames per second: the usual distance of two frames. */
  readonly frameRate: number;
  /** The clip tells its times or its pace; else 25 frames per second are assumed. */
  readonly paceKnown: boolean;
  /** Frames counted as missing by what would fill the hole, not by anything that arrived. */
  readonly estimated: boolean;
};

const assumedRate = 25;
/** A damaged time stamp must not fill the disk with slates. */
const missingLimit = 100_000;

/** Frames that decoders do not put out are left out. */
export function timelineOf(clip: Clip): Timeline {
  const told = clip.units.map(({ times }) => times?.present ?? null);
  const spacing = usualSpacing(told) ?? usualSpacing(clip.units.map(({ times }) => times?.decode ?? null));
  const frameRate = spacing ? roundRate(1 / spacing) : (clip.frameRate ?? assumedRate);
  const placed = placeByOrder(clip, told, 1 / frameRate);
  const frames = clip.pictures.flatMap((picture, unit): TimelineFrame[] => {
    const time = placed.times[unit];
    return picture.shown && time != null ? [{ time, unit, class: picture.class }] : [];
  });
  frames.sort((a, b) => a.time - b.time || a.unit! - b.unit!);
  const filled = fillMissing(clip, frames, 1 / frameRate, placed.end);
  placeRest(clip, filled, placed.times, 1 / frameRate);
  filled.sort((a, b) => a.time - b.time);
  return {
    frames: filled,
    frameRate,
    paceKnown: spacing !== null || clip.frameRate !== null,
    estimated: placed.estimated,
  };
}

/** Rates that are whole but for rounding of time stamps become whole. */
function roundRate(rate: number): number {
  const whole = Math.round(rate);
  return Math.abs(rate - whole) < 0.004 * whole ? whole : rate;
}

function usualSpacing(times: readonly (number | null)[]): number | null {
  const sorted = times.filter((time) => time !== null).sort((a, b) => a - b);
  const steps = sorted.slice(1).map((time, i) => time - sorted[i]!);
  const real = steps.filter((step) => step > 0.0005).sort((a, b) => a - b);
  return real.length === 0 ? null : Math.min(10, real[real.length >> 1]!);
}

/** The usual difference of picture order counts from frame to frame. */
function usualStep(pictures: readonly Picture[]): number {
  const counts = new Map<number, number>();
  for (const sequence of bySequence(pictures)) {
    const pocs = sequence.flatMap((i) => (pictures[i]!.poc === null ? [] : [pictures[i]!.poc])).sort((a, b) => a - b);
    for (let i = 1; i < pocs.length; i++) {
      const step = pocs[i]! - pocs[i - 1]!;
      if (step > 0) counts.set(step, (counts.get(step) ?? 0) + 1);
    }
  }
  return [...counts].sort((a, b) => b[1] - a[1] || a[0] - b[0])[0]?.[0] ?? 2;
}

function bySequence(pictures: readonly Picture[]): number[][] {
  const groups: number[][] = [];
  for (const [i, { sequence }] of pictures.entries()) {
    if (i === 0 || sequence !== pictures[i - 1]!.sequence) groups.push([]);
    groups.at(-1)!.push(i);
  }
  return groups;
}

type Placed = { times: (number | null)[]; end: number; estimated: boolean };

/** Times of all access units of which the place is known. */
function placeByOrder(clip: Clip, told: readonly (number | null)[], seconds: number): Placed {
  const { pictures, units } = clip;
  const times = [...told];
  if (told.every((time) => time !== null)) return { times, end: 0, estimated: false };
  const step = usualStep(pictures);
  const sequences = bySequence(pictures);
  const usualLength = regularLength(sequences, pictures, units, step);
  const average = units.reduce((sum, { bytes }) => sum + bytes, 0) / Math.max(1, units.length);
  let cursor = 0;
  let estimated = false;
  for (const [number, sequence] of sequences.entries()) {
    const known = sequence.filter((i) => pictures[i]!.poc !== null);
    const pocOf = (i: number) => pictures[i]!.poc! / step;
    const anchor = known.find((i) => told[i] !== null);
    const lowest = known.length === 0 ? 0 : known.reduce((low, i) => Math.min(low, pocOf(i)), Number.POSITIVE_INFINITY);
    const lossBefore = units[sequence[0]!]!.hiddenBefore > 0 || pictures[sequence[0]!]!.poc === null;
    // A sequence begins at 0; where its beginning is lost, what arrived of it may begin later.
    const first = lossBefore && lowest > 0 && lowest < 600 ? 0 : lowest;
    const base = anchor === undefined ? cursor - first * seconds : told[anchor]! - pocOf(anchor) * seconds;
    let highest = first - 1;
    for (const i of known) {
      times[i] ??= base + pocOf(i) * seconds;
      highest = Math.max(highest, pocOf(i));
    }
    const length = Math.round(highest - first) + 1;
    const unplaced = sequence.filter((i) => times[i] === null).length;
    let tail = Math.max(0, unplaced - (length - known.length));
    const next = sequences[number + 1]?.[0];
    const hidden = next === undefined ? clip.hiddenAtEnd : units[next]!.hiddenBefore;
    if (hidden > 0 && anchor === undefined) {
      // Whole sequences may be hidden too: the count that fits the usual length and is nearest to what the bytes say.
      // What is hidden begins with the rest of the unit that was cut.
      const cut = units[sequence.at(-1)!]!;
      const bytes = hidden + (cut.lastCut ? cut.bytes : 0);
      const byBytes = Math.max(tail, Math.round(bytes / average) - (cut.lastCut ? 1 : 0));
      const rest =
        usualLength !== null && next !== undefined ? (usualLength - (length % usualLength)) % usualLength : null;
      const fitting =
        rest === null ? byBytes : rest + usualLength! * Math.max(0, Math.round((byBytes - rest) / usualLength!));
      if (fitting !== tail) estimated = true;
      tail = Math.max(tail, fitting);
    }
    cursor = Math.max(cursor, base + (highest + 1 + Math.min(tail, missingLimit)) * seconds);
  }
  return { times, end: cursor, estimated };
}

/** Frames of a sequence, where all that arrived without loss are of one length. */
function regularLength(
  sequences: readonly number[][],
  pictures: readonly Picture[],
  units: readonly AccessUnit<unknown>[],
  step: number,
): number | null {
  let length: number | null = null;
  for (const [number, sequence] of sequences.entries()) {
    const next = sequences[number + 1]?.[0];
    if (next === undefined || units[next]!.hiddenBefore > 0) continue;
    if (sequence.some((i) => units[i]!.hiddenBefore > 0 || pictures[i]!.poc === null)) continue;
    const pocs = sequence.map((i) => pictures[i]!.poc!).sort((a, b) => a - b);
    const own = Math.round((pocs.at(-1)! - pocs[0]!) / step) + 1;
    if (length !== null && own !== length) return null;
    length = own;
  }
  return length;
}

/** Adds a missing frame at each place between and behind the frames where one is due and bytes were lost. */
function fillMissing(clip: Clip, frames: readonly TimelineFrame[], seconds: number, end: number): TimelineFrame[] {
  const losses = [0];
  for (const [i, { hiddenBefore }] of clip.units.entries()) {
    const lost = hiddenBefore > 0 || clip.pictures[i]!.poc === null ? 1 : 0;
    losses.push(losses[i]! + lost);
  }
  const filled: TimelineFrame[] = [];
  const fill = (from: number, count: number) => {
    for (let k = 1; k <= count && filled.length < frames.length + missingLimit; k++) {
      filled.push({ time: from + k * seconds, unit: null, class: 'missing' });
    }
  };
  // Reordering takes frames at most this far apart in decoding order: 16 frames of the decoded picture buffer.
  const reach = 17;
  let before: TimelineFrame | undefined;
  for (const frame of frames) {
    // Times of a container need not begin at 0.
    const origin = before?.time ?? (clip.units[frame.unit!]!.times?.present == null ? -seconds : frame.time - seconds);
    const due = Math.round((frame.time - origin) / seconds) - 1;
    const [low, high] = [Math.min(before?.unit ?? 0, frame.unit!), Math.max(before?.unit ?? 0, frame.unit!)];
    const lost = losses[Math.min(high + reach, losses.length - 1)]! - losses[before ? Math.max(0, low - reach) : 0]!;
    if (due > 0 && lost > 0) fill(origin, due);
    filled.push(frame);
    before = frame;
  }
  if (before && end > 0) fill(before.time, Math.round((end - before.time) / seconds) - 1);
  return filled;
}

/** Access units without a place take the nearest missing frame behind the one decoded before them. */
function placeRest(clip: Clip, frames: TimelineFrame[], times: (number | null)[], seconds: number): void {
  const free = frames.filter(({ unit }) => unit === null);
  let last = 0;
  for (const [unit, picture] of clip.pictures.entries()) {
    if (times[unit] !== null) {
      last = times[unit]!;
      continue;
    }
    let best = -1;
    for (const [i, { time }] of free.entries()) {
      if (best < 0 || Math.abs(time - last - seconds) < Math.abs(free[best]!.time - last - seconds)) best = i;
    }
    const place = best >= 0 && Math.abs(free[best]!.time - last) < 64 * seconds ? free.splice(best, 1)[0]! : null;
    const frame = { time: place?.time ?? last + seconds / 2, unit, class: picture.class };
    if (place) frames[frames.indexOf(place)] = frame;
    else frames.push(frame);
    last = frame.time;
  }
}
