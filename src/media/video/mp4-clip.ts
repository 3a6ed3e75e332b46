// A clip in MP4 or QuickTime: by its sample tables and fragments where they arrived whole, by a scan of the media data
// where they did not.
import { type AccessUnit, joinAccessUnits, sampleAccessUnit } from './access-units.js';
import type { Clip, Sound } from './clip.js';
import type { LearntCodec } from './codecs.js';
import { HoledBytes } from './holed-bytes.js';
import { type MjpegUnit, mjpegClip } from './mjpeg-clip.js';
import { type Box, findBox, topBoxes } from './mp4-boxes.js';
import { scanMediaData } from './mp4-scan.js';
import { type Mp4Track, readFragment, readTracks, type Sample } from './mp4-tracks.js';
import { learnFrom, type NalCodecName, readNalClip } from './nal-clip.js';
import { splitLengthPrefixed } from './nal-units.js';
import { parameterUnits } from './parameter-store.js';

/** Sample entry types by codec. */
const entryCodecs: Readonly<Record<string, 'h264' | 'hevc' | 'mjpeg'>> = {
  avc1: 'h264',
  avc3: 'h264',
  hvc1: 'hevc',
  hev1: 'hevc',
  jpeg: 'mjpeg',
  mjpa: 'mjpeg',
};

/** Stretches of the file in order: samples the index tells of, or media data without an index. */
type Stretch = { readonly samples: readonly Sample[] } | { readonly start: number; readonly end: number };

const indexLost =
  'The index of the file did not arrive: frames were found in the media data itself; sound cannot be found there.';

/**
 * @param known parameter sets from elsewhere
 * @returns `null` where no picture is found, or its coding is none of those read here
 */
export function readMp4Clip(data: HoledBytes, known: readonly Uint8Array[]): Clip | null {
  const boxes = topBoxes(data);
  const tracks = boxes.filter(({ type }) => type === 'moov').flatMap((moov) => readTracks(data, moov));
  const video =
    tracks.find((track) => track.kind === 'video') ?? tracks.find((track) => entryCodecs[codecOf(track) ?? '']);
  const fragments = boxes
    .filter(({ type }) => type === 'moof')
    .map((moof) => ({ moof, samples: readFragment(data, moof, tracks) }));
  const stretches = video ? stretchesOf(data, boxes, video, fragments) : unindexed(data, boxes, []);
  const codec = video && codecOf(video);
  if (codec && !entryCodecs[codec]) return null;
  const scanned = stretches.some((stretch) => 'start' in stretch && data.nextKnown(stretch.start) < stretch.end);
  const remarks = scanned ? [indexLost] : [];
  const sound = soundOf(data, tracks, fragments);
  if (codec && entryCodecs[codec] === 'mjpeg') {
    const units = stretches.flatMap((stretch): MjpegUnit[] => ('samples' in stretch ? [...stretch.samples] : []));
    return units.length === 0 ? null : { ...mjpegClip(data, units, null), sound, remarks };
  }
  const names: NalCodecName[] = codec ? [entryCodecs[codec] as NalCodecName] : ['h264', 'hevc'];
  let best: Clip | null = null;
  for (const name of names) {
    const clip = readCoded(data, name, video ?? null, stretches, known);
    if (clip && (!best || countExact(clip) > countExact(best)))
      best = { ...clip, sound, remarks: [...remarks, ...clip.remarks] };
  }
  return best;
}

function codecOf(track: Mp4Track): string | null {
  return track.entry?.type ?? null;
}

function countExact(clip: Clip): number {
  return clip.pictures.filter((picture) => picture.class === 'exact').length;
}

function readCoded(
  data: HoledBytes,
  name: NalCodecName,
  video: Mp4Track | null,
  stretches: readonly Stretch[],
  known: readonly Uint8Array[],
): Clip | null {
  const record = video?.entry ? configuration(video.entry.box, name) : null;
  const lengthBytes = record ? 1 + (record[name === 'h264' ? 4 : 21]! & 3) : 4;
  const own = record ? parameterUnits(record) : [];
  const clip = readNalClip(name, own, known, (codec) => readStretches(data, stretches, lengthBytes, codec));
  if (!clip) return null;
  return { ...clip, data, sound: null };
}

function readStretches<Slice extends { readonly first: boolean }>(
  data: HoledBytes,
  stretches: readonly Stretch[],
  lengthBytes: number,
  codec: LearntCodec<Slice>,
): { units: AccessUnit<Slice>[]; hiddenAtEnd: number } {
  const units: AccessUnit<Slice>[] = [];
  let hidden = 0;
  for (const stretch of stretches) {
    if ('start' in stretch) {
      const pieces = [...scanMediaData(data, stretch.start, stretch.end, codec)];
      learnFrom(data, pieces, codec);
      const joined = joinAccessUnits(data, pieces, codec);
      if (joined.units[0]) joined.units[0].hiddenBefore += hidden;
      hidden = joined.hiddenAtEnd + (joined.units[0] ? 0 : hidden);
      for (const unit of joined.units) units.push(unit);
      continue;
    }
    for (const { start, end, decode, present, sync } of stretch.samples) {
      const times = { decode, present, sync };
      const pieces = [...splitLengthPrefixed(data, start, end, lengthBytes, codec.headerBytes)];
      const unit = sampleAccessUnit(data, pieces, codec, times, data.unknownIn(start, end) < end - start);
      unit.hiddenBefore = hidden;
      hidden = 0;
      units.push(unit);
    }
  }
  return { units, hiddenAtEnd: hidden };
}

/** Content of the avcC or hvcC box in a visual sample entry, which has 78 bytes of fields before its boxes. */
function configuration(entry: Buffer, name: NalCodecName): Buffer | null {
  const box = findBox(new HoledBytes(entry, []), 8 + 78, entry.length, name === 'h264' ? 'avcC' : 'hvcC');
  if (!box) return null;
  const record = entry.subarray(box.content, box.end);
  return record.length >= (name === 'h264' ? 7 : 23) ? record : null;
}

type Fragment = { readonly moof: Box; readonly samples: Map<Mp4Track, Sample[]> };

function stretchesOf(
  data: HoledBytes,
  boxes: readonly Box[],
  video: Mp4Track,
  fragments: readonly Fragment[],
): Stretch[] {
  const fragmented = fragments.length > 0;
  // The tables of a fragmented file are empty, which is not the same as lost.
  if (video.samples && !fragmented) return [{ samples: video.samples }];
  const told: Stretch[] = [];
  if (video.samples) told.push({ samples: video.samples });
  for (const { samples } of fragments) {
    const own = samples.get(video);
    if (own && own.length > 0) told.push({ samples: own });
  }
  const indexed = fragments.filter(({ samples }) => samples.size > 0).map(({ moof }) => moof.end);
  const places = [...told, ...unindexed(data, boxes, indexed)];
  const startOf = (stretch: Stretch) => ('start' in stretch ? stretch.start : (stretch.samples[0]?.start ?? 0));
  return places.sort((a, b) => startOf(a) - startOf(b));
}

/** Media data of which no index arrived; `indexed` are the ends of fragment indexes, behind which theirs follow. */
function unindexed(data: HoledBytes, boxes: readonly Box[], indexed: readonly number[]): Stretch[] {
  const stretches: Stretch[] = [];
  // Where a plain file's media data are known, what lies around them is the index. Fragments may be lost between boxes.
  const around = boxes.some(({ type }) => type === 'moof') || !boxes.some(({ type }) => type === 'mdat');
  let end = 0;
  for (const box of boxes) {
    if (around && box.start > end) stretches.push({ start: end, end: box.start });
    if (box.type === 'mdat' && !indexed.includes(box.start)) stretches.push({ start: box.content, end: box.end });
    end = box.end;
  }
  if (around && end < data.length) stretches.push({ start: end, end: data.length });
  return stretches;
}

function soundOf(data: HoledBytes, tracks: readonly Mp4Track[], fragments: readonly Fragment[]): Sound | null {
  const track = tracks.find(({ kind, entry, timescale }) => kind === 'audio' && entry && timescale);
  if (!track?.entry || !track.timescale) return null;
  const all = [...(track.samples ?? []), ...fragments.flatMap(({ samples }) => samples.get(track) ?? [])];
  const samples: { bytes: Buffer; time: number; duration: number }[] = [];
  for (const { start, end, decode, seconds } of all) {
    if (decode === null || end <= start || !data.isKnown(start, end)) continue;
    const [time, duration] = [decode, seconds].map((value) => Math.round(value * track.timescale!));
    samples.push({ bytes: data.bytes.subarray(start, end), time: time!, duration: duration! });
  }
  const complete = samples.length === all.length && track.samples !== null;
  return samples.length === 0 ? null : { entry: track.entry.box, timescale: track.timescale, samples, complete };
}
