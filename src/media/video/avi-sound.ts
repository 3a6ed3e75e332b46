// Uncompressed sound in AVI: the `wb` chunks of the first sound stream, as its WAVEFORMAT header tells (published RIFF and AVI format
// descriptions, common practice), in pieces short enough that a hole takes no more than it covers.
import type { Sound } from './clip.js';
import type { HoledBytes } from './holed-bytes.js';
import { box } from './mp4-write.js';

type Chunk = { readonly id: string; readonly start: number; readonly end: number };

const pieceFrames = 1024;
/** Sample entries of QuickTime for little-endian samples of 16 bits, and for unsigned ones of 8. */
const entryTypes: Readonly<Record<number, string>> = { 8: 'raw ', 16: 'sowt' };

/**
 * @param stream its number. @param header where its `strf` content begins. @param chunks all of the file, in order, also those that did
 *   not arrive
 * @returns `null` where it is coded, of another sample size, or nothing of it arrived
 */
export function aviSound(data: HoledBytes, stream: number, header: number, chunks: readonly Chunk[]): Sound | null {
  if (!data.isKnown(header, header + 16)) return null;
  const [tag, channels] = [data.bytes.readUInt16LE(header), data.bytes.readUInt16LE(header + 2)];
  const [rate, bits] = [data.bytes.readUInt32LE(header + 4), data.bytes.readUInt16LE(header + 14)];
  const type = entryTypes[bits];
  if (tag !== 1 || type === undefined || channels < 1 || channels > 8 || rate < 1000 || rate > 0xffff) return null;
  const frameBytes = (channels * bits) / 8;
  const samples: { bytes: Buffer; time: number; duration: number }[] = [];
  let time = 0;
  let complete = true;
  for (const { id, start, end } of chunks) {
    if (id !== `${String(stream).padStart(2, '0')}wb`) continue;
    const frames = Math.floor((end - start) / frameBytes);
    for (let from = 0; from < frames; from += pieceFrames) {
      const duration = Math.min(pieceFrames, frames - from);
      const at = start + from * frameBytes;
      const pieceEnd = at + duration * frameBytes;
      if (data.isKnown(at, pieceEnd))
        samples.push({ bytes: data.bytes.subarray(at, pieceEnd), time: time + from, duration });
      else complete = false;
    }
    time += frames;
  }
  return samples.length === 0
    ? null
    : { entry: sampleEntry(type, channels, bits, rate), timescale: rate, samples, complete };
}

function sampleEntry(type: string, channels: number, bits: number, rate: number): Buffer {
  const fields = Buffer.alloc(28);
  fields.writeUInt16BE(1, 6); // data_reference_index
  fields.writeUInt16BE(channels, 16);
  fields.writeUInt16BE(bits, 18);
  fields.writeUInt16BE(rate, 24);
  return box(type, fields);
}
