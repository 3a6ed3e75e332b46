// A clip in a transport stream: the first video stream's access units with the times of their PES packets, and AAC sound.
import type { AccessUnit } from './access-units.js';
import { readAdts } from './adts.js';
import type { Clip, Sound } from './clip.js';
import type { HoledBytes } from './holed-bytes.js';
import { byteStreamReader, type NalCodecName, readNalClip, sniffByteStream } from './nal-clip.js';
import { type ElementaryStream, type PesStart, readTransportStream } from './transport-stream.js';

/** stream_type by codec, ISO/IEC 13818-1 table 2-34. */
const videoTypes: Readonly<Record<number, NalCodecName>> = { 27: 'h264', 36: 'hevc' };
const adtsType = 0x0f;

/**
 * @param overwrite the bytes of `data` may be written over; default `false`
 * @param known parameter sets from elsewhere
 * @returns `null` where no picture of a coding read here is found
 */
export function readTransportClip(data: HoledBytes, known: readonly Uint8Array[], overwrite = false): Clip | null {
  const streams = readTransportStream(data, overwrite);
  for (const stream of streams) {
    const told = stream.type === null ? null : videoTypes[stream.type];
    if (told === undefined || (stream.type === null && (stream.id & 0xf0) !== 0xe0)) continue;
    const codec = told ?? sniffByteStream(stream.data) ?? 'h264';
    const clip = readNalClip(codec, [], known, byteStreamReader(stream.data));
    if (!clip) continue;
    const origin = stream.starts.reduce(
      (least, { present }) => Math.min(least, present ?? least),
      Number.POSITIVE_INFINITY,
    );
    const units = timed(clip.units, stream.starts, Number.isFinite(origin) ? origin : 0);
    return { ...clip, units, data: stream.data, sound: soundOf(streams, origin) };
  }
  return null;
}

/** The first access unit that begins in a PES packet has its times. */
function timed(
  units: readonly AccessUnit<unknown>[],
  starts: readonly PesStart[],
  origin: number,
): AccessUnit<unknown>[] {
  let next = 0;
  return units.map((unit) => {
    const place = unit.units[0]?.start ?? 0;
    let last: PesStart | undefined;
    while (next < starts.length && starts[next]!.offset <= place) last = starts[next++];
    // Where several began since the access unit before, this one belongs to the last of them.
    if (!last || last.present === null) return { ...unit, times: { decode: null, present: null, sync: null } };
    const seconds = (ticks: number) => (ticks - origin) / 90000;
    return { ...unit, times: { decode: seconds(last.decode!), present: seconds(last.present), sync: null } };
  });
}

function soundOf(streams: readonly ElementaryStream[], origin: number): Sound | null {
  const stream = streams.find(({ type }) => type === adtsType);
  const sound = stream && readAdts(stream);
  if (!sound || !Number.isFinite(origin)) return null;
  const shift = Math.round((origin * sound.timescale) / 90000);
  const samples = sound.samples.map((sample) => ({ ...sample, time: sample.time - shift }));
  return { ...sound, samples };
}
