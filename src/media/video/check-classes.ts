// Writes the frames of a clip for the decoder, and checks their classes by what it makes of them: a frame that is to be exact must
// not change with the damaged frames that are decoded beside it.
import { type DecodedFrame, decodedFrames, type Tools } from '../ffmpeg.js';
import type { Clip } from './clip.js';
import { followable, type Placed, withStandIns } from './followable.js';
import { type WriteSample, type WriteTrack, writeMp4 } from './mp4-write.js';
import type { Timeline } from './timeline.js';

/** One frame in the MP4 handed to the decoder; leaves room for decoding times between two frames. */
const ticksPerFrame = 1000;
const decoderScale = 25 * ticksPerFrame;

export type Checked = {
  /** On the time line: of the pictures that come out when all is decoded, in their order; between two of them where it is no frame's. */
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
  const decode = async (placed: readonly Placed[], file: string) => {
    await writeMp4(file, [videoTrack(clip, entry, placed)]);
    const frames = await decodedFrames(tools, file);
    const placeOf = ({ time }: DecodedFrame) => time / ticksPerFrame;
    return { places: frames.map(placeOf), sums: new Map(frames.map((frame) => [placeOf(frame), frame.md5])) };
  };
  const isExact = (place: number) => timeline.frames[place]?.class === 'exact';
  const placed = followable(clip, timeline);
  let all = await decode(placed, files.all);
  const more = withStandIns(clip, timeline, placed, all.sums);
  const framesIn = ({ places }: typeof all) => places.filter(Number.isInteger).length;
  if (more) {
    const again = await decode(more, files.all);
    const exactStay = [...all.sums].every(([place, md5]) => !isExact(place) || again.sums.get(place) === md5);
    if (exactStay && framesIn(again) > framesIn(all)) all = again;
    else await writeMp4(files.all, [videoTrack(clip, entry, placed)]);
  }
  const exact = await decode(
    placed.filter(({ place }) => isExact(place)),
    files.exact,
  );
  for (const [place, frame] of timeline.frames.entries()) {
    if (frame.class !== 'exact') continue;
    const md5 = all.sums.get(place);
    // Behind a loss the exact frames alone may not tell a decoder enough: what is dropped counts in its buffer, too.
    const alone = clip.pictures[frame.unit!]!.clean ? exact.sums.get(place) : md5;
    if (md5 === undefined || md5 !== alone) frame.class = 'tainted';
  }
  return { places: all.places, all: all.sums, exact: exact.sums };
}

/** Each frame is as long as any other: its place on the time line is its time. */
function videoTrack(clip: Clip, entry: Buffer, placed: readonly Placed[]): WriteTrack {
  const chosen = placed.map(({ unit, place }) => ({ unit, present: Math.round(place * ticksPerFrame) }));
  const samples = samplesOf(clip, chosen, true);
  return { kind: 'video', entry, timescale: decoderScale, samples, lastDuration: ticksPerFrame, size: clip.size! };
}

/**
 * Access units as samples of an MP4.
 *
 * @param chosen in decoding order; `present` in ticks. @param cutToo what arrived of damaged NAL units, too
 */
export function samplesOf(
  clip: Clip,
  chosen: readonly { readonly unit: number; readonly present: number }[],
  cutToo: boolean,
): WriteSample[] {
  // Decoding times are the times shown, in order, early enough that no frame is shown before it is decoded.
  const shown = chosen.map(({ present }) => present);
  const decode = [...shown].sort((a, b) => a - b);
  const early = decode.reduce((most, time, i) => Math.max(most, time - shown[i]!), 0);
  return chosen.flatMap(({ unit, present }, i): WriteSample[] => {
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
    return parts.length > 0 && useful ? [{ parts, decode: decode[i]! - early, present, sync }] : [];
  });
}
