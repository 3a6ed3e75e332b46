// Says what a whole file is, by general decoders: a picture is decoded to its last row, a clip is probed.
import type { SensorLayout } from '../mission/mission.js';
import type { Tools } from './ffmpeg.js';
import { probe } from './ffmpeg.js';
import { openPicture, readPictureFile } from './picture.js';
import { recogniseFile } from './recognise.js';

/** What a general decoder says of a file that is whole or unproven. */
export type MediaDescription =
  | { kind: 'picture'; format: string; width: number; height: number }
  | { kind: 'video'; format: string; codec: string; width: number; height: number; seconds: number; frames?: number }
  | { kind: 'other'; format: string };

/**
 * Describes the file at `path`.
 *
 * @param tools `null` where there is no ffmpeg: clips are then only recognised
 * @param sensor of a raw frame, which nothing in the file tells: how its samples lie
 * @returns kind `other` for what is neither, cannot be looked into, or does not decode (the format says which); `null` for
 *   a file of which nothing is recognised
 * @throws the system's error where the file cannot be read; never for its content
 */
export async function describeMedia(
  path: string,
  tools: Tools | null,
  sensor?: SensorLayout,
): Promise<MediaDescription | null> {
  if (sensor) return { kind: 'picture', format: 'raw frame', width: sensor.width, height: sensor.height };
  const format = await recogniseFile(path);
  if (format.kind === 'picture') return describePicture(path, format.format);
  if (format.kind === 'video' && tools !== null) {
    const facts = await probe(tools, path, format);
    if (facts === null) return { kind: 'other', format: `${format.format} (does not decode)` };
    const { codec, width, height, seconds, frames } = facts;
    const told = frames === undefined ? {} : { frames };
    return { kind: 'video', format: format.format, codec, width, height, seconds, ...told };
  }
  return format.format === 'unknown' ? null : { kind: 'other', format: format.format };
}

async function describePicture(path: string, format: string): Promise<MediaDescription> {
  const bytes = await readPictureFile(path);
  if (bytes === null) return { kind: 'other', format: `${format} (too large to open)` };
  try {
    const { width, height } = await openPicture(bytes, 'error').metadata();
    // Reducing to a few pixels makes the decoder read every row and keeps none; all frames of an animation.
    const animated = format === 'gif' || format === 'webp';
    await openPicture(bytes, 'error', animated).resize(16, 16, { fit: 'fill' }).raw().toBuffer();
    return { kind: 'picture', format, width, height };
  } catch {
    return { kind: 'other', format: `${format} (does not decode)` };
  }
}
