// Something to look at of a file that is not whole: all of a JPEG that arrived, all of a PNG that is determined, with the
// rest hatched, and what a demuxer can read of a clip. Nothing is filled in unless asked for; the note says what is shown.
import { rename, rm, stat, writeFile } from 'node:fs/promises';
import { rangePairs } from '../bytes/ranges.js';
import type { SensorLayout } from '../mission/mission.js';
import type { Tools } from './ffmpeg.js';
import { probe, remuxReadable, still } from './ffmpeg.js';
import { fileBytesLimit } from './picture.js';
import { type MediaFormat, recogniseFile } from './recognise.js';
import { salvageJpeg } from './salvage-jpeg.js';
import { salvagePng } from './salvage-png.js';
import { salvageRaw } from './salvage-raw.js';
import type { FrameClass } from './video/frame-classes.js';
import type { HoledBytes } from './video/holed-bytes.js';
import { readHoledFile } from './video/read-holed-file.js';
import { clipBytesLimit, salvageVideo, type VideoSalvage } from './video/salvage-video.js';

export type SalvageRequest = {
  /** The incomplete file, its gaps filled with zeros. */
  readonly path: string;
  /** Missing byte ranges, half open, in order. */
  readonly gaps: readonly (readonly [start: number, end: number])[];
  /** Size of the whole file. Where the file at `path` is shorter, its end is missing too. */
  readonly bytes: number;
  /** Output path without extension. */
  readonly outBase: string;
  /** `null` where there is no ffmpeg: clips are then left alone. */
  readonly tools: Tools | null;
  /** Headers of whole pictures of the campaign (`extractJpegHeader`), for one whose own is lost; default none. */
  readonly knownHeaders?: readonly Uint8Array[];
  /** Also write a picture whose holes are interpolated, labelled so; default false. */
  readonly conceal?: boolean;
  /** Of a raw frame: how its samples lie. */
  readonly sensor?: SensorLayout | undefined;
  /** Of whole clips of the campaign, for one whose own parameter sets are lost; default none. */
  readonly knownParameterSets?: readonly Uint8Array[];
  /** Frames of clips that are not as sent are marked, or the last good one is held; default marked. */
  readonly damagedFrames?: 'marked' | 'held';
};

/** `count` frames of a clip, one after the other as shown, of one class. */
export type FrameRun = { readonly class: FrameClass; readonly count: number };

export type Salvage = {
  /** What to look at. */
  readonly path: string;
  readonly note: string;
  /** Further files written beside it. */
  readonly also: readonly string[];
  /** Of a clip: what became of each frame. */
  readonly frames?: readonly FrameRun[];
};

const remuxedFormat: MediaFormat = { kind: 'video', format: 'mp4', extension: 'mp4' };

const noTimes =
  'The stream carries no times: an even pace is assumed, and frames that are not sent in their order may be misplaced or left out.';

/**
 * Writes `outBase` + `.png` or `.mp4`, and for a JPEG beside it `.jpg` (the placed blocks as a standard file), `.grades.png` (a pixel
 * per block: how sure it is), `.thumbnail.jpg` where the header's is whole, and `.concealed.jpg` on request; each through a
 * temporary name.
 *
 * @returns `null` where nothing can be shown: a format without salvage, its start missing, no ffmpeg, or no gap at all
 * @throws the system's error where a file cannot be read or written; never for the content
 */
export async function salvageMedia(request: SalvageRequest): Promise<Salvage | null> {
  const size = (await stat(request.path)).size;
  const gap = Math.min(size, request.gaps.find(([start, end]) => end > start)?.[0] ?? size);
  if (gap >= request.bytes) return null;
  if (request.sensor) return salvageRawFile(request, request.sensor);
  const format = await recogniseFile(request.path);
  if (format.kind === 'video') return request.tools && salvageClip(request, format, request.tools);
  // The start, or the parameter sets there, did not arrive; or it is motion JPEG, which begins as a picture does.
  const begins = format.format === 'jpeg';
  const perhapsClip = request.tools !== null && (begins || format.format === 'unknown');
  const isPng = format.format === 'png' && gap > 0;
  // With its first bytes lost, only another file's header can tell whether it is a JPEG.
  const perhapsJpeg = begins || (gap < 4 && (request.knownHeaders?.length ?? 0) > 0);
  if (!perhapsClip && !isPng && !perhapsJpeg) return null;
  const most = perhapsClip ? clipBytesLimit : fileBytesLimit;
  if (size > most) return null;
  const data = await readHoledFile(request.path, request.gaps, request.bytes > most ? size : request.bytes);
  const clip = perhapsClip && (await salvageVideo({ ...request, untold: true, data }));
  if (clip) return shown(clip);
  const picture = holedPicture(data, size);
  if (isPng) return salvagePngFile(picture, request);
  return perhapsJpeg && size <= fileBytesLimit ? salvageJpegFile(picture, request, begins) : null;
}

type HoledPicture = { bytes: Buffer; gaps: (readonly [start: number, end: number])[] };

/** Where one byte is stated to be missing behind what arrived, nobody knows how many are: there it ends. */
function holedPicture(data: HoledBytes, arrived: number): HoledPicture {
  const end = data.length === arrived + 1 || data.length > fileBytesLimit ? arrived : data.length;
  return { bytes: data.bytes.subarray(0, end), gaps: rangePairs(data.gaps).filter(([start]) => start < end) };
}

async function salvageRawFile({ path, gaps, outBase }: SalvageRequest, layout: SensorLayout): Promise<Salvage | null> {
  const salvaged = await salvageRaw(path, gaps, layout);
  if (!salvaged) return null;
  await write(`${outBase}.png`, salvaged.png);
  return { path: `${outBase}.png`, note: salvaged.note, also: [] };
}

async function salvagePngFile({ bytes, gaps }: HoledPicture, { outBase }: SalvageRequest): Promise<Salvage | null> {
  const picture = await salvagePng(bytes, gaps);
  if (!picture) return null;
  const path = `${outBase}.png`;
  await write(path, picture.png);
  return { path, note: picture.note, also: [] };
}

async function salvageJpegFile(
  { bytes, gaps }: HoledPicture,
  request: SalvageRequest,
  hasStart: boolean,
): Promise<Salvage | null> {
  const { knownHeaders = [], conceal = false } = request;
  const salvaged = await salvageJpeg(bytes, gaps, { knownHeaders, conceal });
  if (!salvaged || (!hasStart && !salvaged.facts.borrowedHeader)) return null;
  const { outBase } = request;
  const beside: [path: string, content: Buffer | null][] = [
    [`${outBase}.jpg`, salvaged.jpeg],
    [`${outBase}.grades.png`, salvaged.gradeMap],
    [`${outBase}.thumbnail.jpg`, salvaged.thumbnail],
    [`${outBase}.concealed.jpg`, salvaged.concealed],
  ];
  const also: string[] = [];
  for (const [path, content] of beside) {
    if (!content) continue;
    await write(path, content);
    also.push(path);
  }
  const path = `${outBase}.png`;
  await write(path, salvaged.png);
  return { path, note: salvaged.note, also };
}

async function write(path: string, content: Buffer | readonly Buffer[]): Promise<void> {
  await writeFile(`${path}.part`, content);
  await rename(`${path}.part`, path);
}

async function salvageClip(request: SalvageRequest, format: MediaFormat, tools: Tools): Promise<Salvage | null> {
  const clip = await salvageVideo(request);
  return clip ? shown(clip) : remuxClip(request, format, tools);
}

function shown({ path, note, classes, stills, exactPath }: VideoSalvage): Salvage {
  return { path, note, also: [...stills, ...(exactPath ? [exactPath] : [])], frames: classes };
}

/** What a demuxer can read of a clip that is not read here. */
async function remuxClip(request: SalvageRequest, format: MediaFormat, tools: Tools): Promise<Salvage | null> {
  const path = `${request.outBase}.mp4`;
  const part = `${path}.part`;
  const frame = `${path}.frame.part`;
  try {
    if (!(await remuxReadable(tools, request.path, format, part))) return null;
    const facts = await probe(tools, part, remuxedFormat);
    if (facts === null || !(await still(tools, part, remuxedFormat, 0, frame))) return null;
    await rename(part, path);
    const length = facts.frames === undefined ? '' : ` (${facts.frames} frames, ${facts.seconds.toFixed(1)} s)`;
    const times = format.format === 'h264' ? ` ${noTimes}` : '';
    const note = `What can be read of the clip is copied${length}. Frames after damage may be wrong; not marked yet.${times}`;
    return { path, note, also: [] };
  } finally {
    await Promise.all([part, frame].map((file) => rm(file, { force: true })));
  }
}
