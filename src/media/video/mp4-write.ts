// Writes an MP4 (ISO/IEC 14496-12, -14, -15): the media data as they come, then the index. 64-bit places throughout, so
// that the size need not be known before. Used for what is handed to the decoder and for the exact frames that are kept.
import { open } from 'node:fs/promises';
import type { Clip } from './clip.js';
import { readH264Sps } from './h264-parameters.js';
import { readH265Sps } from './h265-parameters.js';

export type WriteSample = {
  readonly parts: readonly Buffer[];
  /** Ticks; decoding times rise from sample to sample. */
  readonly decode: number;
  readonly present: number;
  readonly sync: boolean;
};

export type WriteTrack = {
  readonly kind: 'video' | 'audio';
  readonly entry: Buffer;
  readonly timescale: number;
  readonly samples: readonly WriteSample[];
  /** Ticks of the last sample. */
  readonly lastDuration: number;
  readonly size: { readonly width: number; readonly height: number };
};

/** @param path overwritten */
export async function writeMp4(path: string, tracks: readonly WriteTrack[]): Promise<void> {
  const file = await open(path, 'w');
  try {
    const head = Buffer.concat([box('ftyp', Buffer.from('isom\0\0\x02\0isomiso2mp41', 'latin1')), Buffer.alloc(16)]);
    head.writeUInt32BE(1, head.length - 16);
    head.write('mdat', head.length - 12, 'latin1');
    await file.write(head);
    let at = head.length;
    const places: number[][] = [];
    for (const { samples } of tracks) {
      const own: number[] = [];
      places.push(own);
      for (let i = 0; i < samples.length; i += 64) {
        const parts: Buffer[] = [];
        for (const sample of samples.slice(i, i + 64)) {
          own.push(at);
          for (const part of sample.parts) {
            parts.push(part);
            at += part.length;
          }
        }
        await file.writev(parts.length > 0 ? parts : [Buffer.alloc(0)]);
      }
    }
    const size = Buffer.alloc(8);
    size.writeBigUInt64BE(BigInt(at - head.length + 16));
    await file.write(size, 0, 8, head.length - 8);
    await file.write(movie(tracks, places), 0, null, at);
  } finally {
    await file.close();
  }
}

/** The sample entry for the clip's coding, or `null` where its parameter sets cannot be told in one. */
export function videoEntry(clip: Clip): Buffer | null {
  const { width, height } = clip.size ?? { width: 0, height: 0 };
  const fields = Buffer.alloc(78);
  fields.writeUInt16BE(1, 6); // data_reference_index
  fields.writeUInt16BE(width & 0xffff, 24);
  fields.writeUInt16BE(height & 0xffff, 26);
  fields.writeUInt32BE(0x480000, 28); // 72 dpi
  fields.writeUInt32BE(0x480000, 32);
  fields.writeUInt16BE(1, 40); // frames per sample
  fields.writeUInt16BE(24, 74); // depth
  fields.writeUInt16BE(0xffff, 76);
  if (clip.codec === 'mjpeg') return box('jpeg', fields);
  const record = clip.codec === 'h264' ? avcRecord(clip.parameterSets) : hvcRecord(clip.parameterSets);
  if (!record) return null;
  return clip.codec === 'h264' ? box('avc1', fields, box('avcC', record)) : box('hev1', fields, box('hvcC', record));
}

function avcRecord(sets: readonly Buffer[]): Buffer | null {
  const sps = sets.filter((unit) => (unit[0]! & 31) === 7).slice(0, 31);
  const pps = sets.filter((unit) => (unit[0]! & 31) === 8).slice(0, 255);
  const facts = sps[0] && readH264Sps(sps[0]);
  if (!facts || pps.length === 0) return null;
  const high = [100, 110, 122, 144].includes(facts.profile)
    ? Buffer.from([0xfc | facts.chromaFormat, 0xf8 | (facts.lumaDepth - 8), 0xf8 | (facts.chromaDepth - 8), 0])
    : Buffer.alloc(0);
  return Buffer.concat([
    Buffer.from([1, facts.profile, facts.constraints, facts.level, 0xff, 0xe0 | sps.length]),
    ...sps.flatMap(withLength16),
    Buffer.from([pps.length]),
    ...pps.flatMap(withLength16),
    high,
  ]);
}

function hvcRecord(sets: readonly Buffer[]): Buffer | null {
  const ofType = (type: number) => sets.filter((unit) => ((unit[0]! >> 1) & 63) === type);
  const sps = ofType(33)[0];
  const facts = sps && readH265Sps(sps);
  if (!facts) return null;
  const tail = Buffer.from([
    ...[0xf0, 0, 0xfc], // min_spatial_segmentation, parallelismType: not told
    ...[0xfc | facts.chromaFormat, 0xf8 | (facts.lumaDepth - 8), 0xf8 | (facts.chromaDepth - 8)],
    ...[0, 0, 0x0f, 3], // average frame rate, temporal layers: not told; 4-byte lengths; three arrays
  ]);
  const arrays = [32, 33, 34].flatMap((type) => {
    const units = ofType(type);
    return [Buffer.from([0x80 | type, units.length >> 8, units.length & 255]), ...units.flatMap(withLength16)];
  });
  return Buffer.concat([Buffer.from([1]), facts.profile, tail, ...arrays]);
}

function withLength16(unit: Buffer): Buffer[] {
  return [Buffer.from([unit.length >> 8, unit.length & 255]), unit];
}

const movieScale = 1000;

function movie(tracks: readonly WriteTrack[], places: readonly number[][]): Buffer {
  const ends = tracks.map((track) => endOf(track) / track.timescale);
  const seconds = Math.max(0, ...ends);
  const fixed = u32(0, 0, movieScale, Math.round(seconds * movieScale), 0x10000, 0x1000000, 0, 0);
  const mvhd = full('mvhd', 0, 0, fixed, matrix, u32(0, 0, 0, 0, 0, 0, tracks.length + 1));
  const traks = tracks.map((track, i) => trackBox(track, i + 1, places[i]!, ends[i]!));
  return box('moov', mvhd, ...traks);
}

/** When the last sample is shown to its end, ticks. */
function endOf({ samples, lastDuration }: WriteTrack): number {
  return samples.reduce((most, { present }) => Math.max(most, present), 0) + lastDuration;
}

function trackBox(track: WriteTrack, id: number, places: readonly number[], seconds: number): Buffer {
  const { kind, entry, timescale, samples, size } = track;
  const first = samples[0]?.decode ?? 0;
  const sound = kind === 'audio';
  const placed = Math.round(seconds * movieScale);
  const tkhd = full(
    'tkhd',
    0,
    7,
    u32(0, 0, id, 0, placed, 0, 0, 0, sound ? 0x1000000 : 0),
    matrix,
    u32(size.width * 65536, size.height * 65536),
  );
  // Media time begins at 0 with the first sample's decoding; edits put what is shown first where it belongs.
  const shown = samples.reduce((least, { present }) => Math.min(least, present), Number.MAX_SAFE_INTEGER);
  const delay = Math.round((shown / timescale) * movieScale);
  const wait = delay > 0 ? [delay, 0xffffffff, 0x10000] : [];
  const list = [wait.length > 0 ? 2 : 1, ...wait, Math.max(1, placed - delay), shown - first, 0x10000];
  const edits = samples.length > 0 ? box('edts', full('elst', 0, 0, table(list))) : Buffer.alloc(0);
  const mdhd = full('mdhd', 0, 0, u32(0, 0, timescale, endOf(track) - first, 0x55c40000));
  const handler = Buffer.from(sound ? 'soun' : 'vide', 'latin1');
  const hdlr = full('hdlr', 0, 0, u32(0), handler, u32(0, 0, 0), Buffer.from([0]));
  const media = sound ? full('smhd', 0, 0, u32(0)) : full('vmhd', 0, 1, u32(0, 0));
  const dinf = box('dinf', full('dref', 0, 0, u32(1), full('url ', 0, 1)));
  const minf = box('minf', media, dinf, sampleTable(track, places, entry));
  return box('trak', tkhd, edits, box('mdia', mdhd, hdlr, minf));
}

function sampleTable({ kind, samples, lastDuration }: WriteTrack, places: readonly number[], entry: Buffer): Buffer {
  const durations = samples.map(({ decode }, i) => (samples[i + 1]?.decode ?? decode + lastDuration) - decode);
  const offsets = samples.map(({ present, decode }) => present - decode);
  const sync = samples.flatMap((sample, i) => (sample.sync ? [i + 1] : []));
  const sizes = samples.map(({ parts }) => parts.reduce((sum, { length }) => sum + length, 0));
  const wide = Buffer.alloc(8 * places.length);
  for (const [i, place] of places.entries()) wide.writeBigUInt64BE(BigInt(place), 8 * i);
  return box(
    'stbl',
    full('stsd', 0, 0, u32(1), entry),
    full('stts', 0, 0, runs(durations)),
    offsets.some((offset) => offset !== 0) ? full('ctts', 1, 0, runs(offsets)) : Buffer.alloc(0),
    kind === 'video' && sync.length < samples.length
      ? full('stss', 0, 0, u32(sync.length), table(sync))
      : Buffer.alloc(0),
    full('stsc', 0, 0, u32(1, 1, 1, 1)),
    full('stsz', 0, 0, u32(0, sizes.length), table(sizes)),
    full('co64', 0, 0, u32(places.length), wide),
  );
}

/** Run lengths, as stts and ctts hold them. */
function runs(values: readonly number[]): Buffer {
  const pairs: number[] = [];
  for (const value of values) {
    if (pairs.length > 0 && pairs.at(-1) === value) pairs[pairs.length - 2]!++;
    else pairs.push(1, value);
  }
  return Buffer.concat([u32(pairs.length / 2), table(pairs)]);
}

const matrix = u32(0x10000, 0, 0, 0, 0x10000, 0, 0, 0, 0x40000000);

function u32(...values: number[]): Buffer {
  return table(values);
}

/** The same for any number of values. */
function table(values: readonly number[]): Buffer {
  const bytes = Buffer.alloc(4 * values.length);
  for (const [i, value] of values.entries()) bytes.writeUInt32BE(value >>> 0, 4 * i);
  return bytes;
}

function full(type: string, version: number, flags: number, ...contents: Buffer[]): Buffer {
  return box(type, u32(version * 2 ** 24 + flags), ...contents);
}

/** A box of ISO/IEC 14496-12, its size in 32 bits. */
export function box(type: string, ...contents: Buffer[]): Buffer {
  const header = Buffer.alloc(8);
  header.writeUInt32BE(
    contents.reduce((sum, { length }) => sum + length, 8),
    0,
  );
  header.write(type, 4, 'latin1');
  return Buffer.concat([header, ...contents]);
}
