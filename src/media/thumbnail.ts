// A small picture of a file for the report, as a data URI.
import { mkdtemp, readFile, rm } from 'node:fs/promises';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import type { SensorLayout } from '../mission/mission.js';
import type { Tools } from './ffmpeg.js';
import { probe, still } from './ffmpeg.js';
import { openPicture, readPictureFile } from './picture.js';
import type { MediaFormat } from './recognise.js';
import { salvageRaw } from './salvage-raw.js';

const largest = { width: 240, height: 320 };
const dataUriBytes = 20_000;

export type Thumbnail = { readonly dataUri: string; readonly width: number; readonly height: number };

/**
 * Draws a thumbnail, at most 240 by 320 pixels and 20 kB as a data URI; of a clip, the frame at a third of its length.
 *
 * @param format as `recogniseMedia` gives it
 * @param sensor of a raw frame: how its samples lie
 * @returns `null` for what is neither picture nor clip or does not decode, and for clips where `tools` is `null`
 * @throws the system's error where the file cannot be read; never for its content
 */
export async function thumbnail(
  path: string,
  format: MediaFormat,
  tools: Tools | null,
  sensor?: SensorLayout,
): Promise<Thumbnail | null> {
  if (sensor) return shrink((await salvageRaw(path, [], sensor))?.png ?? null);
  if (format.kind === 'picture') return shrink(await readPictureFile(path));
  if (format.kind === 'video' && tools !== null) return ofVideo(path, format, tools);
  return null;
}

async function ofVideo(path: string, format: MediaFormat, tools: Tools): Promise<Thumbnail | null> {
  const facts = await probe(tools, path, format);
  if (facts === null) return null;
  const folder = await mkdtemp(join(tmpdir(), 'passweave-'));
  try {
    const png = join(folder, 'still.png');
    // A damaged or badly timed clip may have nothing at a third: then its first frame.
    for (const at of [facts.seconds / 3, 0]) {
      if (await still(tools, path, format, at, png)) return await shrink(await readFile(png));
    }
    return null;
  } finally {
    await rm(folder, { recursive: true, force: true });
  }
}

async function shrink(bytes: Buffer | null): Promise<Thumbnail | null> {
  if (bytes === null) return null;
  for (const quality of [75, 55, 35, 15]) {
    try {
      const small = openPicture(bytes, 'error')
        .autoOrient()
        .resize({ ...largest, fit: 'inside', withoutEnlargement: true });
      const { data, info } = await small.webp({ quality }).toBuffer({ resolveWithObject: true });
      const dataUri = `data:image/webp;base64,${data.toString('base64')}`;
      if (dataUri.length <= dataUriBytes) return { dataUri, width: info.width, height: info.height };
    } catch {
      return null;
    }
  }
  return null;
}
