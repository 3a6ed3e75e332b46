// All that looks into a file that came down: what a whole one is, what can be salvaged of an incomplete one, and a small picture of
// either. One question and one answer of plain data, so that another thread may do it (drawing-threads.ts).
import type { SensorLayout } from '../mission/mission.js';
import { describeMedia, type MediaDescription } from './describe.js';
import type { Tools } from './ffmpeg.js';
import { type KnownHeader, readKnownHeader } from './known-headers.js';
import { recogniseFile } from './recognise.js';
import { type FrameRun, type SalvageRequest, salvageMedia } from './salvage.js';
import { type Thumbnail, thumbnail } from './thumbnail.js';

export type DrawRequest = {
  /** The file; it must not change meanwhile. */
  readonly path: string;
  readonly tools: Tools | null;
  /** Of a raw frame: how its samples lie. */
  readonly sensor: SensorLayout | undefined;
  /** Of an incomplete file: what is missing, and where and how to show it; `null` = it is whole. */
  readonly holes: Omit<SalvageRequest, 'path' | 'tools' | 'sensor'> | null;
};

export type Drawing = {
  readonly media: MediaDescription | null;
  /** Absolute paths of what was written; `null` = nothing can be shown. */
  readonly salvage: { readonly path: string; readonly note: string; readonly also: readonly string[] } | null;
  readonly thumbnail: Thumbnail | null;
  /** What arrived of it is a clip. */
  readonly isClip: boolean;
  /** What became of each frame of an incomplete clip: runs of frames of one class. */
  readonly frames: readonly FrameRun[] | null;
  /** What a whole file lends to others whose header is lost, in base64. */
  readonly header: { readonly kind: KnownHeader['kind']; readonly bytes: string } | null;
};

/** Why a file could not be drawn, in words that end a sentence. */
export type Undrawn = { readonly failed: string };

/** @throws the system's error where a file cannot be read or written; never for the content, as far as we know */
export async function draw({ path, tools, sensor, holes }: DrawRequest): Promise<Drawing> {
  const format = await recogniseFile(path);
  const isClip = format.kind === 'video';
  if (!holes) {
    const header = await readKnownHeader(path, format);
    return {
      media: await describeMedia(path, tools, sensor),
      salvage: null,
      thumbnail: await thumbnail(path, format, tools, sensor),
      isClip,
      frames: null,
      header: header && { kind: header.kind, bytes: header.bytes.toString('base64') },
    };
  }
  const salvaged = await salvageMedia({ path, tools, sensor, ...holes });
  const nothing = { media: null, salvage: null, thumbnail: null, isClip, frames: null, header: null };
  if (!salvaged) return nothing;
  return {
    ...nothing,
    salvage: { path: salvaged.path, note: salvaged.note, also: salvaged.also },
    thumbnail: await thumbnail(salvaged.path, await recogniseFile(salvaged.path), tools),
    isClip: isClip || salvaged.frames !== undefined,
    frames: salvaged.frames ?? null,
  };
}

/** As `draw`, but what goes wrong with one file is told: the others must not wait for it. */
export async function drawOrTell(request: DrawRequest): Promise<Drawing | Undrawn> {
  try {
    return await draw(request);
  } catch (error) {
    return { failed: error instanceof Error ? error.message : String(error) };
  }
}
