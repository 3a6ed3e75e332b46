// What one recording heard without the counter being reset or lost count of: its stretches joined across long silences, and frames
// out of sequence (a CRC that passed by accident) given the place where they came.
import { type CarouselOrder, LONGEST_SILENCE } from './carousel-order.js';
import { type Line, lineOf, mergeLines } from './line.js';
import type { Run } from './run.js';

/** What the placement needs of a recording. */
export type HeardRecording = {
  /** Identity, for a fixed order. */
  readonly xxh64: string;
  /** Milliseconds since 1970 UTC, of a clock that may be wrong; `null` when unknown. */
  readonly startedAt: number | null;
  readonly stretches: readonly number[];
  readonly runs: readonly Run[];
};

/** One stretch of a recording; its counters `[first, last)` are shifted by `shift` in the passage. */
export type Member = {
  readonly recording: HeardRecording;
  readonly index: number;
  readonly first: number;
  readonly last: number;
  shift: number;
};

/** Stretches whose counters are known to count on from each other. `lines` are as `mergeLines` makes them. */
export type Passage = {
  lines: Line[];
  frames: number;
  readonly members: Member[];
  /** When counter 0 was sent, by each recording's clock, ms; none where clock or rate are unknown. */
  readonly epochs: number[];
};

type Stretch = Member & { readonly lines: readonly Line[]; readonly frames: number };

export type PassageOptions = {
  /** Of the counter: 2^bits. */
  readonly modulus: number;
  /** For a narrow counter: what tells how often it turned. */
  readonly order: CarouselOrder | undefined;
  /** Seconds from one transmission to the next, when known. */
  readonly frameSeconds: number | undefined;
};

/** The lines of each stretch of a recording, by its own counters. */
export function stretchLines({ stretches, runs }: HeardRecording): Line[][] {
  const lines: Line[][] = stretches.map(() => []);
  for (const run of runs) lines[run.stretch]!.push(lineOf(run, run.counter));
  return lines.map(mergeLines);
}

/** @returns in the order of the recording; every stretch is a member of one of them */
export function passagesOf(recording: HeardRecording, options: PassageOptions): Passage[] {
  const stretches = stretchLines(recording).map((lines, index): Stretch => {
    const frames = lines.reduce((sum, { start, end }) => sum + end - start, 0);
    return { recording, index, lines, frames, first: lines[0]?.start ?? 0, last: lines.at(-1)?.end ?? 0, shift: 0 };
  });
  const several = stretches.filter(({ frames }) => frames > 1);
  const solid = several.length > 0 ? several : stretches;
  const groups: { told: Stretch[]; strays: Stretch[] }[] = [];
  for (const stretch of solid) {
    const group = groups.at(-1);
    const tail = group?.told.at(-1);
    const between = tail && framesBetween(tail, stretch, options);
    if (group && between !== undefined) {
      stretch.shift = tail!.last + tail!.shift + between - stretch.first;
      group.told.push(stretch);
    } else {
      groups.push({ told: [stretch], strays: [] });
    }
  }
  for (const lone of solid === several ? stretches.filter(({ frames }) => frames <= 1) : []) {
    const { told, strays } = groups.findLast((group) => group.told[0]!.index < lone.index) ?? groups[0]!;
    const at = told.findIndex(({ index }) => index > lone.index);
    if (placeLone(lone, told.at(at < 0 ? -1 : at - 1), at < 0 ? undefined : told[at], options)) {
      told.splice(at < 0 ? told.length : at, 0, lone);
    } else {
      strays.push(lone);
    }
  }
  let elapsed = 0;
  return groups.map(({ told, strays }): Passage => {
    const lines = mergeLines(told.flatMap((stretch) => shiftLines(stretch.lines, stretch.shift)));
    const low = lines[0]?.start ?? 0;
    // A silence between two passages is not known: the later ones' clocks are that much off.
    const epoch = (recording.startedAt ?? 0) + (elapsed - low) * (options.frameSeconds ?? 0) * 1000;
    elapsed += (lines.at(-1)?.end ?? 0) - low;
    return {
      lines,
      frames: told.reduce((sum, { frames }) => sum + frames, 0),
      members: [...told, ...strays],
      epochs: recording.startedAt === null || options.frameSeconds === undefined ? [] : [epoch],
    };
  });
}

/**
 * Shifts a frame out of sequence to where its counter says, if that is between its neighbours; else the counter is taken as
 * false, and the frame goes where it came: what was due there is its likeliest transmission, and the order of sending stays.
 *
 * @param before `undefined` where `after` is the passage's first
 * @returns whether its counter told
 */
function placeLone(
  lone: Stretch,
  before: Stretch | undefined,
  after: Stretch | undefined,
  options: PassageOptions,
): boolean {
  const from = before ? before.last + before.shift : Number.NEGATIVE_INFINITY;
  const to = after ? after.first + after.shift : Number.POSITIVE_INFINITY;
  const between = before ? framesBetween(before, lone, options) : framesBetween(lone, after!, options);
  const first = before ? from + (between ?? 0) : to - (between ?? 0) - 1;
  // With nothing after it, a wide counter far ahead is a false one more likely than a frame alone.
  const told = between !== undefined && first < to && (after !== undefined || options.order !== undefined);
  lone.shift = (told ? first : before ? from : to - 1) - lone.first;
  return told;
}

/** Transmissions between the last of `a` and the first of `b`, which came later; `undefined` where it is not told. */
function framesBetween(a: Stretch, b: Stretch, { modulus, order }: PassageOptions): number | undefined {
  const step = (((b.first - a.last) % modulus) + modulus) % modulus;
  const [from, to] = [a.lines.at(-1), b.lines[0]];
  if (order) return from && to && order.framesBetween(from, to, step, modulus);
  return step < LONGEST_SILENCE ? step : undefined;
}

export function shiftLines(lines: readonly Line[], shift: number): Line[] {
  return lines.map((line) => ({ ...line, start: line.start + shift, end: line.end + shift }));
}
