// Recognises what kind of clip a file with holes is, also where its first bytes did not arrive, and reads it.
import { readAviClip } from './avi-clip.js';
import type { Clip } from './clip.js';
import type { HoledBytes } from './holed-bytes.js';
import { readPlainMjpeg } from './mjpeg-clip.js';
import { readMp4Clip } from './mp4-clip.js';
import { byteStreamReader, readNalClip, sniffByteStream } from './nal-clip.js';
import { readTransportClip } from './ts-clip.js';

/**
 * @param data the file
 * @param known parameter sets from elsewhere: NAL units, avcC or hvcC records
 * @param overwrite the bytes of `data` may be written over, which saves memory; default `false`
 * @returns `null` where it is no clip of a kind read here, or no picture of it arrived
 */
export function readClip(data: HoledBytes, known: readonly Uint8Array[], overwrite = false): Clip | null {
  const start = data.text(0, 4);
  if (start === 'RIFF') return readAviClip(data, known);
  if (start?.startsWith('\xff\xd8\xff')) return readPlainMjpeg(data);
  const readers = [readMp4Clip, readTransportClip, readByteStream];
  if (start === null) {
    // Its beginning did not arrive: what finds most is right.
    const clips = [...readers, readAviClip].map((read) => read(data, known));
    return clips.reduce((best, clip) => (weight(clip) > weight(best) ? clip : best), null);
  }
  if (data.text(4, 4) === 'ftyp' || ['moov', 'mdat', 'wide', 'free', 'skip', 'styp'].includes(data.text(4, 4) ?? '')) {
    return readMp4Clip(data, known);
  }
  if (start.startsWith('\0\0\x01') || start === '\0\0\0\x01') return readByteStream(data, known);
  if (data.uint(4, 4) === null) return readMp4Clip(data, known);
  return readTransportClip(data, known, overwrite);
}

function readByteStream(data: HoledBytes, known: readonly Uint8Array[]): Clip | null {
  const codec = sniffByteStream(data);
  for (const name of codec ? [codec] : (['h264', 'hevc'] as const)) {
    const clip = readNalClip(name, [], known, byteStreamReader(data));
    if (clip) return { ...clip, data, sound: null };
  }
  return null;
}

/** Bytes of the pictures found. */
function weight(clip: Clip | null): number {
  return clip ? clip.units.reduce((sum, { bytes, whole }) => sum + (whole ? bytes : 0), 1) : 0;
}
