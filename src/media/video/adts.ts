// AAC frames with ADTS headers (ISO/IEC 13818-7, 6.2) out of a stream with holes, and the sample entry that MP4 needs for
// them (ISO/IEC 14496-14, 5.6; ISO/IEC 14496-1, 7.2.6; AudioSpecificConfig of ISO/IEC 14496-3, 1.6.2.1).
import type { Sound } from './clip.js';
import { box } from './mp4-write.js';
import type { ElementaryStream } from './transport-stream.js';

const rates = [96000, 88200, 64000, 48000, 44100, 32000, 24000, 22050, 16000, 12000, 11025, 8000, 7350];
const frameSamples = 1024;

/** Frames that arrived whole, at the times of the PES packets; `null` where there is none. */
export function readAdts({ data, starts }: ElementaryStream): Sound | null {
  const samples: { bytes: Buffer; time: number; duration: number }[] = [];
  let config: { rate: number; entry: Buffer } | null = null;
  let complete = data.gaps.length === 0;
  let [time, nextStart]: [number | null, number] = [null, 0];
  for (let at = data.nextKnown(0); at + 7 <= data.length; ) {
    const length = frameLength(data.bytes, at);
    if (length === null || !data.isKnown(at, at + length)) {
      if (data.knownEnd(at) > at && length === null) at++;
      else at = data.nextKnown(Math.max(data.knownEnd(at), at + 1));
      time = null;
      complete = false;
      continue;
    }
    const rate = rates[(data.bytes[at + 2]! >> 2) & 15]!;
    config ??= { rate, entry: sampleEntry(data.bytes, at, rate) };
    while (nextStart < starts.length && starts[nextStart]!.offset <= at) {
      const { present } = starts[nextStart++]!;
      // Only the first frame that begins in a PES packet has its time; small differences are rounding.
      const told = present === null ? null : Math.round((present * config.rate) / 90000);
      if (told !== null && (time === null || Math.abs(told - time) > frameSamples / 2)) time = told;
    }
    if (time !== null && rate === config.rate) {
      const header = data.bytes[at + 1]! & 1 ? 7 : 9;
      samples.push({ bytes: data.bytes.subarray(at + header, at + length), time, duration: frameSamples });
    }
    if (time !== null) time += frameSamples;
    at += length;
  }
  return config && samples.length > 0 ? { entry: config.entry, timescale: config.rate, samples, complete } : null;
}

/** Bytes of the frame with its header, where one can begin here; one block of raw data in it. */
function frameLength(bytes: Buffer, at: number): number | null {
  if (bytes[at] !== 0xff || (bytes[at + 1]! & 0xf6) !== 0xf0 || ((bytes[at + 2]! >> 2) & 15) >= rates.length)
    return null;
  const length = ((bytes[at + 3]! & 3) << 11) | (bytes[at + 4]! << 3) | (bytes[at + 5]! >> 5);
  return length > 9 && (bytes[at + 6]! & 3) === 0 && at + length <= bytes.length ? length : null;
}

function sampleEntry(bytes: Buffer, at: number, rate: number): Buffer {
  const objectType = 1 + (bytes[at + 2]! >> 6);
  const rateIndex = (bytes[at + 2]! >> 2) & 15;
  const channels = ((bytes[at + 2]! & 1) << 2) | (bytes[at + 3]! >> 6);
  const config = Buffer.from([(objectType << 3) | (rateIndex >> 1), ((rateIndex & 1) << 7) | (channels << 3)]);
  const specific = descriptor(5, config);
  // objectTypeIndication 0x40 (AAC), streamType 5 (audio), buffer size and bit rates not told
  const decoder = descriptor(4, Buffer.concat([Buffer.from([0x40, 0x15, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0]), specific]));
  const esds = descriptor(3, Buffer.concat([Buffer.from([0, 0, 0]), decoder, descriptor(6, Buffer.from([2]))]));
  const fields = Buffer.alloc(28);
  fields.writeUInt16BE(1, 6); // data_reference_index
  fields.writeUInt16BE(channels || 2, 16);
  fields.writeUInt16BE(16, 18);
  fields.writeUInt16BE(rate & 0xffff, 24);
  return box('mp4a', fields, box('esds', Buffer.alloc(4), esds));
}

function descriptor(tag: number, content: Buffer): Buffer {
  return Buffer.concat([Buffer.from([tag, content.length]), content]);
}
