// What an incomplete file holds for those who look: pixels of a picture, frames of a clip, else bytes.
import fs from 'node:fs';
import path from 'node:path';
import type { FileCoverage } from './coverage/coverage.js';
import type { IncompleteFile } from './planning/send-next.js';

/**
 * A file with something missing, with what its missing segments would bring; nothing of one that is complete.
 *
 * @param out the output folder, where the picture of an incomplete file lies
 */
export function incompleteFile(file: FileCoverage, out: string, payloadSize: number): IncompleteFile[] {
  const { id, name, bytes, media, salvage, segments } = file;
  if (segments.missing.length === 0) return [];
  const missing =
    segments.unit === 'segment'
      ? segments.missing
      : segments.missing.map(
          ([first, last]) => [Math.floor(first / payloadSize), Math.floor(last / payloadSize)] as const,
        );
  const common = { id, name, missing, segments: segments.total };
  const shown = salvage && path.join(out, ...salvage.path.split('/'));
  if (media?.kind === 'picture')
    return [{ ...common, kind: 'picture', amount: media.width * media.height, unit: 'pixel' }];
  if (media?.kind === 'video' && media.frames)
    return [{ ...common, kind: 'clip', amount: media.frames, unit: 'frame' }];
  const pixels = shown?.endsWith('.png') ? pngPixels(shown) : null;
  if (pixels !== null) return [{ ...common, kind: 'picture', amount: pixels, unit: 'pixel' }];
  const kind =
    media?.kind === 'video' || /\.(mp4|mov|m4v|mkv|webm|avi|h264|264|ts)$/i.test(name)
      ? 'clip'
      : /\.(jpe?g|png|gif|webp|tiff?)$/i.test(name)
        ? 'picture'
        : 'other';
  return [{ ...common, kind, amount: bytes ?? segments.total * payloadSize, unit: 'byte' }];
}

/** Width times height from the header of a picture of ours (PNG, third edition, 11.2.1); `null` where there is none. */
function pngPixels(file: string): number | null {
  try {
    const header = Buffer.alloc(24);
    const handle = fs.openSync(file, 'r');
    try {
      if (fs.readSync(handle, header, 0, 24, 0) < 24 || header.toString('latin1', 12, 16) !== 'IHDR') return null;
    } finally {
      fs.closeSync(handle);
    }
    return header.readUInt32BE(16) * header.readUInt32BE(20);
  } catch {
    return null;
  }
}
