// Which frames of a clip with holes a decoder is given, so that as many as can be come out in the order in which they are shown.
// Where it could not follow, another entry point of the clip stands in for what is lost; what comes out of that is taken for no frame.
import type { Clip } from './clip.js';
import type { Picture } from './frame-classes.js';
import type { Timeline } from './timeline.js';

/** How far before a place what stands in for a lost frame is put. */
const before = 0.4;

/** An access unit and its place on the time line; a stand-in's is between two of them. */
export type Placed = { readonly unit: number; readonly place: number };

/**
 * Access units in decoding order, with places, of those that a decoder shows in that order. Where an entry point is lost,
 * picture order counts begin again without the decoder knowing, and what follows would come out among the frames before: a
 * stand-in comes first, or they are left out.
 */
export function followable(clip: Clip, timeline: Timeline): Placed[] {
  const { pictures } = clip;
  const placeOf = new Map<number, number>();
  for (const [place, { unit }] of timeline.frames.entries()) if (unit !== null) placeOf.set(unit, place);
  const kept: Placed[] = [];
  // Pictures since the last entry point that later ones can still be shown before.
  let recent: { place: number; poc: number; sequence: number }[] = [];
  let last = Number.NEGATIVE_INFINITY;
  for (const [unit, { poc, sequence, entry }] of pictures.entries()) {
    const place = placeOf.get(unit);
    if (place === undefined || poc === null) continue;
    if (entry) recent = [];
    const agrees = (): boolean =>
      recent.every(
        (other) => other.sequence === sequence && Math.sign(other.place - place) === Math.sign(other.poc - poc),
      );
    if (!agrees()) {
      const first = firstPlace(clip, placeOf, unit);
      const donor = donorFor(clip, unit);
      if (donor === null || first <= last || recent.some((other) => other.sequence === sequence)) continue;
      kept.push({ unit: donor, place: first - before });
      recent = [];
    }
    recent = [...recent.slice(-32), { place, poc, sequence }];
    last = Math.max(last, place);
    kept.push({ unit, place });
  }
  return kept;
}

/** The first place of the pictures from `unit` to the next entry point. */
function firstPlace({ pictures }: Clip, placeOf: ReadonlyMap<number, number>, unit: number): number {
  let first = Number.POSITIVE_INFINITY;
  for (let i = unit; i < pictures.length && (i === unit || !pictures[i]!.entry); i++) {
    if (pictures[i]!.sequence === pictures[unit]!.sequence) first = Math.min(first, placeOf.get(i) ?? first);
  }
  return first;
}

/** The nearest entry point that arrived whole, the one before rather than the one behind. */
function donorFor({ pictures }: Clip, unit: number): number | null {
  const isEntry = ({ entry, poc, class: state }: Picture) => entry && poc === 0 && state === 'exact';
  const earlier = pictures.slice(0, unit).findLastIndex(isEntry);
  if (earlier >= 0) return earlier;
  const behind = pictures.slice(unit).findIndex(isEntry);
  return behind >= 0 ? unit + behind : null;
}

/**
 * The same with a stand-in before each run of frames that a decoder did not put out although all their bytes arrived: behind a
 * loss, some count numbers of frames or places in the order wrongly until the next entry point.
 *
 * @param out places of what came out
 * @returns `null` where there is no such run, or no entry point arrived whole
 */
export function withStandIns(
  clip: Clip,
  timeline: Timeline,
  placed: readonly Placed[],
  out: { has(place: number): boolean },
): Placed[] | null {
  const result: Placed[] = [];
  let inRun = false;
  for (const { unit, place } of placed) {
    const silent = Number.isInteger(place) && !out.has(place);
    const donor: number | null =
      silent && !inRun && timeline.frames[place]!.class === 'tainted' ? donorFor(clip, unit) : null;
    if (donor !== null) result.push({ unit: donor, place: place - before });
    inRun = silent && (inRun || donor !== null);
    result.push({ unit, place });
  }
  return result.length > placed.length ? result : null;
}
