// Writes the frames of a clip for the decoder, and checks their classes by what it makes of them: a frame that is to be exact must
// not change with the damaged frames that are decoded beside it.
import { type DecodedFrame, decodedFrames, type Tools } from '../ffmpeg.js';
import type { Clip } from './clip.js';
import { type WriteSample, type WriteTrack, writeMp4 } from './mp4-write.js';
import type { Timeline } from './timeline.js';

/** One frame in the MP4 handed to the decoder; leaves room for decoding times between two frames. */
const ticksPerFrame = 1000;
const decoderScale = 25 * ticksPerFrame;

export type Checked = {
  /** On the time line: of the pictures that come out when all is decoded, in their order. */
  readonly places: readonly number[];
  /** MD5 of what comes out, by place: of all that arrived, and of the exact frames alone. */
  readonly all: ReadonlyMap<number, string>;
  readonly exact: ReadonlyMap<number, string>;
};

/** Where the decoder's clock stands at a place on the time line, seconds. */
export function secondsAt(place: number): number {
  return (place * ticksPerFrame) / decoderScale;
}

/**
 * Decodes with and without the frames that are not exact. Frames that were taken for exact but do not come out, or differ,
 * become tainted.
 *
 * @param timeline its classes are changed. @param files MP4s written on the way: all that arrived, and the exact frames
 */
export async function checkClasses(
  tools: Tools,
  clip: Clip,
  entry: Buffer,
  timeline: Timeline,
  files: { all: string; exact: string },
): Promise<Checked> {
  await writeMp4(files.all, [videoTrack(clip, entry, timeline, () => true)]);
  const decoded = await decodedFrames(tools, files.all);
  const isExact = (place: number) => timeline.frames[place]!.class === 'exact';
  await writeMp4(files.exact, [videoTrack(clip, entry, timeline, isExact)]);
  const apart = await decodedFrames(tools, files.exact);
  const placeOf = ({ time }: DecodedFrame) => Math.round(time / ticksPerFrame);
  const byPlace = (frames: DecodedFrame[]) => new Map(frames.map((frame) => [placeOf(frame), frame.md5]));
  const [inAll, inExact] = [byPlace(decoded), byPlace(apart)];
  for (const [place, frame] of timeline.frames.entries()) {
    if (frame.class !== 'exact') continue;
    const md5 = inAll.get(place);
    // Behind a loss the exact frames alone may not tell a decoder enough: what is dropped counts in its buffer, too.
    const alone = clip.pictures[frame.unit!]!.clean ? inExact.get(place) : md5;
    if (md5 === undefined || md5 !== alone) frame.class = 'tainted';
  }
  return { places: decoded.map(placeOf), all: inAll, exact: inExact };
}

/** The frames that `wanted` picks, each as long as any other: its place on the time line is its time. */
function videoTrack(clip: Clip, entry: Buffer, timeline: Timeline, wanted: (place: number) => boolean): WriteTrack {
  const placeOf = new Map<number, number>();
  for (const [unit, place] of followable(clip, timeline)) if (wanted(place)) placeOf.set(unit, place * ticksPerFrame);
  const samples = samplesOf(clip, placeOf, true);
  return { kind: 'video', entry, timescale: decoderScale, samples, lastDuration: ticksPerFrame, size: clip.size! };
}

/**
 * Places by access unit, of those that a decoder shows in that order. Where an entry point is lost, picture order counts
 * begin again without the decoder knowing: what follows, up to the next entry point, would come out among the frames before.
 */
function followable(clip: Clip, timeline: Timeline): Map<number, number> {
  const placeOf = new Map<number, number>();
  for (const [place, { unit }] of timeline.frames.entries()) if (unit !== null) placeOf.set(unit, place);
  const kept = new Map<number, number>();
  // Pictures since the last entry point that later ones can still be shown before.
  let recent: { place: number; poc: number; sequence: number }[] = [];
  for (const [unit, { poc, sequence, entry }] of clip.pictures.entries()) {
    const place = placeOf.get(unit);
    if (place === undefined || poc === null) continue;
    if (entry) recent = [];
    const agrees = recent.every(
      (other) => other.sequence === sequence && Math.sign(other.place - place) === Math.sign(other.poc - poc),
    );
    if (!agrees) continue;
    recent = [...recent.slice(-32), { place, poc, sequence }];
    kept.set(unit, place);
  }
  return kept;
}

/**
 * Access units as samples of an MP4.
 *
 * @param presentOf ticks by access unit; the others are left out. @param cutToo what arrived of damaged NAL units, too
 */
export function samplesOf(clip: Clip, presentOf: ReadonlyMap<number, number>, cutToo: boolean): WriteSample[] {
  const chosen = [...presentOf.keys()].sort((a, b) => a - b);
  // Decoding times are the times shown, in order, early enough that no frame is shown before it is decoded.
  const shown = chosen.map((unit) => presentOf.get(unit)!);
  const decode = [...shown].sort((a, b) => a - b);
  const early = decode.reduce((most, time, i) => Math.max(most, time - shown[i]!), 0);
  return chosen.flatMap((unit, i): WriteSample[] => {
    const { units, slices } = clip.units[unit]!;
    const parts: Buffer[] = [];
    for (const { start, knownEnd, whole } of units) {
      if (!whole && !cutToo) continue;
      const bytes = clip.data.bytes.subarray(start, knownEnd);
      if (clip.codec !== 'mjpeg') {
        const length = Buffer.alloc(4);
        length.writeUInt32BE(bytes.length);
        parts.push(length);
      }
      parts.push(bytes);
    }
    const useful = clip.codec === 'mjpeg' || slices.length > 0;
    const sync = clip.codec === 'mjpeg' || clip.pictures[unit]!.poc === 0;
    return parts.length > 0 && useful
      ? [{ parts, decode: decode[i]! - early, present: presentOf.get(unit)!, sync }]
      : [];
  });
}
