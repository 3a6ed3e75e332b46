// What can be looked at of a clip with holes: every frame is classed by what it needs, and shown on the right time line
// with marks where it is not exact. The classes are checked once more against the decoder: a frame that is to be exact must come
// out the same whether the damaged ones are decoded beside it or left out.
import { rename, rm, stat } from 'node:fs/promises';
import { PassThrough, Readable } from 'node:stream';
import { decodeTo, encodePictures, probe, still, type Tools } from '../ffmpeg.js';
import type { MediaFormat } from '../recognise.js';
import { checkClasses, samplesOf, secondsAt } from './check-classes.js';
import type { Clip, Sound } from './clip.js';
import type { FrameClass } from './frame-classes.js';
import type { HoledBytes } from './holed-bytes.js';
import { type DamagedFrames, evenly, markedPictures } from './marked-pictures.js';
import { videoEntry, type WriteSample, type WriteTrack, writeMp4 } from './mp4-write.js';
import { readClip } from './read-clip.js';
import { readHoledFile } from './read-holed-file.js';
import { type Timeline, timelineOf } from './timeline.js';

export type VideoSalvageRequest = {
  /** The incomplete file, its gaps filled with anything. */
  readonly path: string;
  /** Missing byte ranges, half open, in order. */
  readonly gaps: readonly (readonly [start: number, end: number])[];
  /** Size of the whole file. Where the file at `path` is shorter, its end is missing too. */
  readonly bytes: number;
  /** Output path without extension. */
  readonly outBase: string;
  /** `null` where there is no ffmpeg: nothing is shown then. */
  readonly tools: Tools | null;
  /** From whole clips of the same campaign or the mission file: VPS, SPS and PPS NAL units, avcC or hvcC records. */
  readonly knownParameterSets?: readonly Uint8Array[];
  /** Damaged and tainted frames are shown with a mark, or the last exact frame is held in their place. Default `marked`. */
  readonly damagedFrames?: DamagedFrames;
  /** Also writes `outBase` + `.exact.mp4` with the exact frames as they were sent, not encoded again. Default `false`. */
  readonly exactCopy?: boolean;
  /** Exact frames written as stills, at most. Default 4. */
  readonly stills?: number;
  /** Nothing says that the file is a clip: it is taken for one only where most of what arrived are whole frames. Default `false`. */
  readonly untold?: boolean;
  /** What is at `path`, where that has been read already; left as it is. */
  readonly data?: HoledBytes;
};

/** `count` frames of one class, from frame `first` on, in the order shown. */
export type ClassRun = { readonly class: FrameClass; readonly first: number; readonly count: number };

export type VideoSalvage = {
  /** The MP4. */
  readonly path: string;
  readonly note: string;
  readonly classes: readonly ClassRun[];
  readonly frames: number;
  readonly frameRate: number;
  /** PNG files. */
  readonly stills: readonly string[];
  /** Where it was asked for and there are such frames. */
  readonly exactPath?: string;
};

/** Larger files are not read. */
export const clipBytesLimit: number = 1 << 30;
const mp4: MediaFormat = { kind: 'video', format: 'mp4', extension: 'mp4' };

/**
 * Writes `outBase` + `.mp4`, and stills as `outBase` + `.frame-N.png`, through temporary names.
 *
 * @returns `null` where nothing can be shown: no ffmpeg, a coding or container not read here, no picture arrived, a file
 *   of more than 1 GiB
 * @throws the system's error where a file cannot be read or written; never for the content
 */
export async function salvageVideo(request: VideoSalvageRequest): Promise<VideoSalvage | null> {
  const { path, outBase, tools } = request;
  if (!tools || request.bytes > clipBytesLimit || (await stat(path)).size > clipBytesLimit) return null;
  const clip = await readHoledClip(request);
  const entry = clip && videoEntry(clip);
  if (!clip?.size || !entry) return null;
  const timeline = timelineOf(clip);
  if (timeline.frames.length === 0) return null;
  const out = `${outBase}.mp4`;
  const [all, exact, sound, part] = ['all', 'exact', 'sound', 'mp4'].map((name) => `${outBase}.${name}.part`) as [
    string,
    string,
    string,
    string,
  ];
  try {
    const { places } = await checkClasses(tools, clip, entry, timeline, { all, exact });
    if (places.length === 0) return null;
    const soundTrack = clip.sound && soundOn(clip.sound, timeline.frames[0]!.time);
    if (soundTrack) await writeMp4(sound, [soundTrack]);
    const soundFile = soundTrack ? { path: sound, copied: clip.sound!.complete } : null;
    const encoded = await encode(tools, request, clip, timeline, places, { all, sound: soundFile, part });
    if (!encoded) return null;
    await rename(part, out);
    const stills = await writeStills(tools, timeline, all, outBase, request.stills ?? 4);
    const exactPath = request.exactCopy ? await copyExact(clip, entry, timeline, soundTrack, outBase) : null;
    return {
      path: out,
      note: noteOn(request, clip, timeline, soundTrack !== null),
      classes: runsOf(timeline),
      frames: timeline.frames.length,
      frameRate: timeline.frameRate,
      stills,
      ...(exactPath === null ? {} : { exactPath }),
    };
  } finally {
    await Promise.all([all, exact, sound, part].map((file) => rm(file, { force: true })));
  }
}

async function readHoledClip(request: VideoSalvageRequest): Promise<Clip | null> {
  const data = request.data ?? (await readHoledFile(request.path, request.gaps, request.bytes));
  const clip = readClip(data, request.knownParameterSets ?? [], !request.data);
  return clip && request.untold && !isSurely(clip, data) ? null : clip;
}

/** At least three whole frames, which are at least half of what arrived. */
function isSurely(clip: Clip, data: HoledBytes): boolean {
  const whole = clip.units.filter((unit) => unit.whole);
  const bytes = whole.reduce((sum, unit) => sum + unit.bytes, 0);
  return whole.length >= 3 && 2 * bytes >= data.length - data.unknownIn(0, data.length);
}

async function encode(
  tools: Tools,
  request: VideoSalvageRequest,
  clip: Clip,
  timeline: Timeline,
  places: readonly number[],
  files: { all: string; sound: { path: string; copied: boolean } | null; part: string },
): Promise<boolean> {
  const { width, height } = clip.size!;
  const size = { width: Math.max(16, width & ~1), height: Math.max(16, height & ~1) };
  const { frames, frameRate } = timeline;
  const damagedFrames = request.damagedFrames ?? 'marked';
  // Builds of ffmpeg without x264 have the older encoder; sound that MP4 cannot hold must not cost the picture.
  for (const sound of files.sound ? [files.sound, { ...files.sound, copied: false }, null] : [null]) {
    for (const encoder of ['libx264', 'mpeg4'] as const) {
      const decoded = new PassThrough();
      const decoding = decodeTo(tools, files.all, size, decoded);
      const pictures = Readable.from(markedPictures({ size, frames, frameRate, damagedFrames, places }, decoded), {
        objectMode: false,
      });
      const worked = await encodePictures(tools, pictures, { ...size, frameRate, encoder }, sound, files.part);
      decoded.destroy();
      await decoding;
      if (worked && (await probe(tools, files.part, mp4))) return true;
    }
  }
  return false;
}

/** The sound on the clock of the picture, which begins at `start` seconds; what comes before is cut off. */
function soundOn(sound: Sound, start: number): WriteTrack | null {
  const shift = Math.round(start * sound.timescale);
  const samples = sound.samples
    .filter(({ time }) => time >= shift)
    .map(
      ({ bytes, time }): WriteSample => ({ parts: [bytes], decode: time - shift, present: time - shift, sync: true }),
    );
  if (samples.length === 0) return null;
  const { entry, timescale } = sound;
  const lastDuration = sound.samples.at(-1)!.duration;
  return { kind: 'audio', entry, timescale, samples, lastDuration, size: { width: 0, height: 0 } };
}

async function writeStills(
  tools: Tools,
  timeline: Timeline,
  decodable: string,
  outBase: string,
  wanted: number,
): Promise<string[]> {
  const places = timeline.frames.flatMap((frame, place) => (frame.class === 'exact' ? [place] : []));
  const count = Math.min(wanted, places.length);
  const stills: string[] = [];
  for (let i = 0; i < count; i++) {
    const place = places[Math.floor(((i + 0.5) * places.length) / count)]!;
    const path = `${outBase}.frame-${place}.png`;
    const part = `${path}.part`;
    if (await still(tools, decodable, mp4, secondsAt(place), part)) {
      await rename(part, path);
      stills.push(path);
    }
    await rm(part, { force: true });
  }
  return stills;
}

/** Only frames that decode without complaint: those before the first loss after each entry point. */
async function copyExact(
  clip: Clip,
  entry: Buffer,
  timeline: Timeline,
  sound: WriteTrack | null,
  outBase: string,
): Promise<string | null> {
  const timescale = 90_000;
  const start = timeline.frames[0]!.time;
  const clean = timeline.frames.flatMap(({ unit, time, class: state }) => {
    if (unit === null || state !== 'exact' || !clip.pictures[unit]!.clean) return [];
    return [{ unit, present: Math.round((time - start) * timescale) }];
  });
  if (clean.length === 0) return null;
  const lastDuration = Math.round(timescale / timeline.frameRate);
  const samples = samplesOf(
    clip,
    clean.sort((a, b) => a.unit - b.unit),
    false,
  );
  const video: WriteTrack = { kind: 'video', entry, timescale, samples, lastDuration, size: clip.size! };
  const path = `${outBase}.exact.mp4`;
  await writeMp4(`${path}.part`, sound ? [video, sound] : [video]);
  await rename(`${path}.part`, path);
  return path;
}

function runsOf({ frames }: Timeline): ClassRun[] {
  const runs: { class: FrameClass; first: number; count: number }[] = [];
  for (const [first, frame] of frames.entries()) {
    const last = runs.at(-1);
    if (last?.class === frame.class) last.count++;
    else runs.push({ class: frame.class, first, count: 1 });
  }
  return runs;
}

function noteOn(request: VideoSalvageRequest, clip: Clip, timeline: Timeline, sound: boolean): string {
  const { frames, frameRate, paceKnown, estimated } = timeline;
  const count = (wanted: FrameClass) => frames.filter((frame) => frame.class === wanted).length;
  const shownFrames = [...evenly(frames, frameRate)].length;
  const sentences = [
    `${count('exact')} of ${frames.length} frames are exact, ${count('damaged')} damaged, ${count('tainted')} refer to damaged or missing ones, ${count('missing')} are missing (${(shownFrames / frameRate).toFixed(1)} s).`,
    request.damagedFrames === 'held'
      ? 'In place of what is not exact the last exact frame is held, with a narrow hatched frame around it; before the first exact one there is a hatched slate.'
      : 'Damaged frames have a wide hatched frame around them, those that refer to them a narrower one; a hatched slate stands where nothing can be shown.',
    'The pictures are encoded again.',
  ];
  if (!paceKnown) sentences.push(`The clip tells no pace: ${frameRate} frames per second are assumed.`);
  if (estimated) sentences.push('How many frames are missing is estimated from the bytes that are.');
  if (sound && !clip.sound!.complete) sentences.push('Sound that did not arrive is silence.');
  return [...sentences, ...clip.remarks].join(' ');
}
