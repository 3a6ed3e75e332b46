// Something to look at of a file that is not whole: the part of a picture before its first gap, with the rest hatched,
// and what a demuxer can read of a clip. Nothing is filled in; the note says what is shown and what is not.
import { rename, rm, stat, writeFile } from 'node:fs/promises';
import type { Tools } from './ffmpeg.js';
import { probe, remuxReadable, still } from './ffmpeg.js';
import { readPictureFile } from './picture.js';
import { type MediaFormat, recogniseFile } from './recognise.js';
import { salvageJpeg } from './salvage-jpeg.js';
import { salvagePng } from './salvage-png.js';
import { hatchedPng } from './trusted-rows.js';

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
};

export type Salvage = { readonly path: string; readonly note: string };

const remuxedFormat: MediaFormat = { kind: 'video', format: 'mp4', extension: 'mp4' };

const noTimes =
  'The stream carries no times: an even pace is assumed, and frames that are not sent in their order may be misplaced or left out.';

/**
 * Writes `outBase` + `.png` or `.mp4`, through a temporary name.
 *
 * @returns `null` where nothing can be shown: start missing, a format without salvage, no ffmpeg, or no gap at all
 * @throws the system's error where a file cannot be read or written; never for the content
 */
export async function salvageMedia(request: SalvageRequest): Promise<Salvage | null> {
  const size = (await stat(request.path)).size;
  const gap = Math.min(size, request.gaps.find(([start, end]) => end > start)?.[0] ?? size);
  if (gap >= request.bytes || gap === 0) return null;
  const format = await recogniseFile(request.path);
  if (format.kind === 'video') return request.tools && salvageVideo(request, format, request.tools);
  return salvagePicture(request, format, gap);
}

async function salvagePicture(request: SalvageRequest, format: MediaFormat, gap: number): Promise<Salvage | null> {
  if (format.format !== 'jpeg' && format.format !== 'png') return null;
  const start = (await readPictureFile(request.path))?.subarray(0, gap);
  const picture = start && (await (format.format === 'jpeg' ? salvageJpeg(start) : salvagePng(start)));
  if (!picture) return null;
  const path = `${request.outBase}.png`;
  await writeFile(`${path}.part`, await hatchedPng(picture));
  await rename(`${path}.part`, path);
  return { path, note: picture.note };
}

async function salvageVideo(request: SalvageRequest, format: MediaFormat, tools: Tools): Promise<Salvage | null> {
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
    return { path, note };
  } finally {
    await Promise.all([part, frame].map((file) => rm(file, { force: true })));
  }
}
