// Tracks and samples of an MP4 or QuickTime file: the sample tables of ISO/IEC 14496-12 (8.4 to 8.6), movie fragments
// (8.8), and the decoder configurations of ISO/IEC 14496-15. A table of which a byte is missing is not used at all.
import type { HoledBytes } from './holed-bytes.js';
import { type Box, boxAtPath, boxesIn, findBox } from './mp4-boxes.js';

export type Sample = {
  /** In the file. */
  readonly start: number;
  readonly end: number;
  /** Seconds, edit list applied; `null` where the tables of times are damaged. */
  readonly decode: number | null;
  readonly present: number | null;
  readonly seconds: number;
  readonly sync: boolean | null;
};

export type Mp4Track = {
  readonly id: number | null;
  readonly kind: 'video' | 'audio' | 'other' | null;
  readonly timescale: number | null;
  /** Sample entry type, such as `avc1`, and the whole sample entry box; `null` where it did not arrive. */
  readonly entry: { readonly type: string; readonly box: Buffer } | null;
  /** Seconds to add to media times. */
  readonly shift: number;
  /** `null`: the tables are damaged; the samples have to be found without them. */
  readonly samples: readonly Sample[] | null;
  readonly timesKnown: boolean;
  /** Ticks of `trex`, for fragments. */
  readonly defaults: FragmentDefaults;
};

type FragmentDefaults = { readonly duration: number; readonly size: number; readonly flags: number };

const noDefaults: FragmentDefaults = { duration: 0, size: 0, flags: 0 };
/** More samples than any clip has; a damaged count must not fill the memory. */
const sampleLimit = 4_000_000;

/** @param moov as found; parts of it may be missing */
export function readTracks(data: HoledBytes, moov: Box): Mp4Track[] {
  const movieScale = readTimescale(data, findBox(data, moov.content, moov.end, 'mvhd'));
  const trex = new Map<number, FragmentDefaults>();
  for (const box of boxesUnder(data, moov, 'mvex', 'trex')) {
    const [id, duration, size, flags] = [4, 12, 16, 20].map((at) => data.uint(box.content + at, 4));
    if (id != null) trex.set(id, { duration: duration ?? 0, size: size ?? 0, flags: flags ?? 0 });
  }
  return boxesUnder(data, moov, 'trak').map((trak) => readTrack(data, trak, movieScale, trex));
}

function readTrack(
  data: HoledBytes,
  trak: Box,
  movieScale: number | null,
  trex: ReadonlyMap<number, FragmentDefaults>,
): Mp4Track {
  const tkhd = findBox(data, trak.content, trak.end, 'tkhd');
  const id = tkhd && data.uint(tkhd.content + (data.bytes[tkhd.content] === 1 ? 20 : 12), 4);
  const timescale = readTimescale(data, boxAtPath(data, trak, 'mdia', 'mdhd'));
  const hdlr = boxAtPath(data, trak, 'mdia', 'hdlr');
  const handler = hdlr && data.text(hdlr.content + 8, 4);
  const kind = handler === 'vide' ? 'video' : handler === 'soun' ? 'audio' : handler === null ? null : 'other';
  const stbl = boxAtPath(data, trak, 'mdia', 'minf', 'stbl');
  const stsd = stbl && findBox(data, stbl.content, stbl.end, 'stsd');
  const entryBox = stsd && [...boxesIn(data, stsd.content + 8, stsd.end)][0];
  const entry =
    entryBox && data.isKnown(entryBox.start, entryBox.end)
      ? { type: entryBox.type, box: data.bytes.subarray(entryBox.start, entryBox.end) }
      : null;
  const shift = timescale ? readEdits(data, boxAtPath(data, trak, 'edts', 'elst'), timescale, movieScale) : 0;
  const joins = kind === 'audio' && timescale && entry && uncompressed.includes(entry.type);
  const pieces = joins && stbl ? readEvenPieces(data, stbl, timescale, shift) : null;
  if (pieces) {
    const defaults = trex.get(id ?? -1) ?? noDefaults;
    return { id, kind, timescale, entry, shift, samples: pieces, timesKnown: true, defaults };
  }
  const geometry = stbl && readGeometry(data, stbl);
  const times = stbl && geometry && timescale ? readTimes(data, stbl, geometry.length) : null;
  const samples = geometry?.map(([start, end], i): Sample => {
    const [decode, offset, duration] = times ? [times.decode[i]!, times.offset[i]!, times.duration[i]!] : [0, 0, 0];
    const seconds = (ticks: number) => (times ? ticks / timescale! + shift : null);
    return {
      start,
      end,
      decode: seconds(decode),
      present: seconds(decode + offset),
      seconds: times ? duration / timescale! : 0,
      sync: times?.sync ? times.sync.has(i) : null,
    };
  });
  const defaults = trex.get(id ?? -1) ?? noDefaults;
  return { id, kind, timescale, entry, shift, samples: samples ?? null, timesKnown: times !== null, defaults };
}

/** Samples of one movie fragment, by track; a run whose size or place is not known ends the fragment's list. */
export function readFragment(data: HoledBytes, moof: Box, tracks: readonly Mp4Track[]): Map<Mp4Track, Sample[]> {
  const found = new Map<Mp4Track, Sample[]>();
  if (!data.isKnown(moof.start, moof.end)) return found;
  let place = moof.start;
  for (const traf of boxesUnder(data, moof, 'traf')) {
    const tfhd = findBox(data, traf.content, traf.end, 'tfhd');
    if (!tfhd) continue;
    const flags = data.uint(tfhd.content, 4)! & 0xffffff;
    const track = tracks.find(({ id }) => id === data.uint(tfhd.content + 4, 4));
    let at = tfhd.content + 8;
    const optional = (bit: number, size: number): number | null => {
      if ((flags & bit) === 0) return null;
      const value = size === 8 ? data.uint(at, 4)! * 2 ** 32 + data.uint(at + 4, 4)! : data.uint(at, 4);
      at += size;
      return value;
    };
    const base = optional(0x1, 8) ?? moof.start;
    optional(0x2, 4);
    const defaults = {
      duration: optional(0x8, 4) ?? track?.defaults.duration ?? 0,
      size: optional(0x10, 4) ?? track?.defaults.size ?? 0,
      flags: optional(0x20, 4) ?? track?.defaults.flags ?? 0,
    };
    const tfdt = findBox(data, traf.content, traf.end, 'tfdt');
    let time: number | null = null;
    if (tfdt) {
      const [high, low] = [data.uint(tfdt.content + 4, 4)!, data.uint(tfdt.content + 8, 4) ?? 0];
      time = data.bytes[tfdt.content] === 1 ? high * 2 ** 32 + low : high;
    }
    const samples: Sample[] = [];
    for (const trun of boxesUnder(data, traf, 'trun')) {
      const run = readRun(data, trun, base, place, time, defaults, track);
      samples.push(...run.samples);
      [place, time] = [run.place, run.time];
    }
    if (track) found.set(track, samples);
  }
  return found;
}

function readRun(
  data: HoledBytes,
  trun: Box,
  base: number,
  before: number,
  startTime: number | null,
  defaults: FragmentDefaults,
  track: Mp4Track | undefined,
): { samples: Sample[]; place: number; time: number | null } {
  const flags = data.uint(trun.content, 4)! & 0xffffff;
  const signed = data.bytes[trun.content] === 1;
  const count = data.uint(trun.content + 4, 4) ?? 0;
  let at = trun.content + 8;
  const next = (): number => {
    at += 4;
    return data.uint(at - 4, 4) ?? 0;
  };
  let place = flags & 0x1 ? base + (next() | 0) : before;
  const firstFlags = flags & 0x4 ? next() : null;
  const fieldBytes = 4 * [0x100, 0x200, 0x400, 0x800].filter((bit) => flags & bit).length;
  const samples: Sample[] = [];
  let time = startTime;
  const scale = track?.timescale ?? null;
  const seconds = (ticks: number | null) => (ticks === null || !scale ? null : ticks / scale + track!.shift);
  for (let i = 0; i < count && samples.length < sampleLimit; i++) {
    if (at + fieldBytes > trun.end) break;
    const duration = flags & 0x100 ? next() : defaults.duration;
    const size = flags & 0x200 ? next() : defaults.size;
    const sampleFlags = flags & 0x400 ? next() : i === 0 && firstFlags !== null ? firstFlags : defaults.flags;
    const sent = flags & 0x800 ? next() : 0;
    if (size === 0 && fieldBytes === 0) break;
    const offset = signed ? sent | 0 : sent;
    samples.push({
      start: place,
      end: Math.min(place + size, data.length),
      decode: seconds(time),
      present: seconds(time === null ? null : time + offset),
      seconds: scale ? duration / scale : 0,
      // sample_is_non_sync_sample
      sync: (sampleFlags & 0x10000) === 0,
    });
    place += size;
    if (time !== null) time += duration;
  }
  return { samples, place, time };
}

/** All boxes reached by a path of types, with several boxes of one type on each step. */
function boxesUnder(data: HoledBytes, box: Box, ...path: string[]): Box[] {
  let level = [box];
  for (const type of path) {
    level = level.flatMap((parent) => [...boxesIn(data, parent.content, parent.end)].filter((b) => b.type === type));
  }
  return level;
}

function readTimescale(data: HoledBytes, header: Box | null): number | null {
  return (header && data.uint(header.content + (data.bytes[header.content] === 1 ? 20 : 12), 4)) || null;
}

/** Delay by empty edits, minus the media time at which the first real one begins. */
function readEdits(data: HoledBytes, elst: Box | null, timescale: number, movieScale: number | null): number {
  if (!elst || !data.isKnown(elst.start, elst.end)) return 0;
  const wide = data.bytes[elst.content] === 1;
  const step = wide ? 20 : 12;
  let delay = 0;
  for (let at = elst.content + 8; at + step <= elst.end; at += step) {
    const duration = data.uint(at + (wide ? 4 : 0), 4)!;
    const high = data.uint(at + (wide ? 8 : 4), 4)!;
    const media = wide ? (high | 0) * 2 ** 32 + data.uint(at + 12, 4)! : high | 0;
    if (media >= 0) return delay - media / timescale;
    delay += movieScale ? duration / movieScale : 0;
  }
  return delay;
}

type SampleTables = {
  readonly even: number;
  readonly count: number;
  readonly stsz: Box;
  readonly chunks: [number, number][];
};

/** Chunks as place and number of samples, or `null` where a table of sizes or places is damaged or absurd. */
function readChunks(data: HoledBytes, stbl: Box): SampleTables | null {
  const table = (type: string) => {
    const box = findBox(data, stbl.content, stbl.end, type);
    return box && data.isKnown(box.start, box.end) ? box : null;
  };
  const [stsz, stsc] = [table('stsz'), table('stsc')];
  const [stco, co64] = [table('stco'), table('co64')];
  const places = stco ?? co64;
  if (!stsz || !stsc || !places) return null;
  const even = data.uint(stsz.content + 4, 4) ?? 0;
  const count = data.uint(stsz.content + 8, 4) ?? 0;
  if (even === 0 && stsz.content + 12 + 4 * Math.min(count, sampleLimit) > stsz.end) return null;
  const runs = data.uint(stsc.content + 4, 4) ?? 0;
  const total = data.uint(places.content + 4, 4) ?? 0;
  const width = stco ? 4 : 8;
  if (stsc.content + 8 + 12 * runs > stsc.end || places.content + 8 + width * total > places.end) return null;
  const chunks: [number, number][] = [];
  for (let chunk = 0, run = 0; chunk < Math.min(total, sampleLimit); chunk++) {
    while (run + 1 < runs && data.uint(stsc.content + 8 + 12 * (run + 1), 4)! <= chunk + 1) run++;
    const at = stco
      ? data.uint(places.content + 8 + 4 * chunk, 4)!
      : data.uint(places.content + 8 + 8 * chunk, 4)! * 2 ** 32 + data.uint(places.content + 12 + 8 * chunk, 4)!;
    chunks.push([at, runs === 0 ? 0 : data.uint(stsc.content + 12 + 12 * run, 4)!]);
  }
  return { even, count, stsz, chunks };
}

/** `[start, end)` of each sample, or `null` as `readChunks`. */
function readGeometry(data: HoledBytes, stbl: Box): [number, number][] | null {
  const tables = readChunks(data, stbl);
  if (!tables) return null;
  const { even, stsz, chunks } = tables;
  const count = Math.min(tables.count, sampleLimit);
  const samples: [number, number][] = [];
  for (const [place, inChunk] of chunks) {
    let at = place;
    for (let i = 0; i < inChunk && samples.length < count; i++) {
      const size = even || data.uint(stsz.content + 12 + 4 * samples.length, 4)!;
      samples.push([Math.min(at, data.length), Math.min(at + size, data.length)]);
      at += size;
    }
  }
  return samples.length === 0 ? null : samples;
}

/** Sample entries of uncompressed sound, whose samples are single values for each channel. */
const uncompressed = [
  'sowt',
  'twos',
  'raw ',
  'NONE',
  'in24',
  'in32',
  'fl32',
  'fl64',
  'lpcm',
  'ipcm',
  'fpcm',
  'ulaw',
  'alaw',
];
const pieceSamples = 1024;

/** Uncompressed sound in pieces of many samples, since there are too many to hold each by itself; `null` where it is not that. */
function readEvenPieces(data: HoledBytes, stbl: Box, timescale: number, shift: number): Sample[] | null {
  const [tables, stts] = [readChunks(data, stbl), findBox(data, stbl.content, stbl.end, 'stts')];
  if (!tables || tables.even === 0 || !stts || !data.isKnown(stts.start, stts.end)) return null;
  // One tick a sample: anything else has samples that do not join.
  if (data.uint(stts.content + 4, 4) !== 1 || data.uint(stts.content + 12, 4) !== 1) return null;
  const samples: Sample[] = [];
  let first = 0;
  for (const [place, inChunk] of tables.chunks) {
    for (let i = 0; i < inChunk && first < tables.count && samples.length < sampleLimit; ) {
      const joined = Math.min(pieceSamples, inChunk - i, tables.count - first);
      const [start, end] = [place + i * tables.even, place + (i + joined) * tables.even];
      const time = first / timescale + shift;
      const within = { start: Math.min(start, data.length), end: Math.min(end, data.length) };
      samples.push({ ...within, decode: time, present: time, seconds: joined / timescale, sync: true });
      i += joined;
      first += joined;
    }
  }
  return samples.length === 0 ? null : samples;
}

type Times = { decode: Float64Array; offset: Float64Array; duration: Float64Array; sync: Set<number> | null };

function readTimes(data: HoledBytes, stbl: Box, count: number): Times | null {
  const [stts, ctts, stss] = ['stts', 'ctts', 'stss'].map((type) => findBox(data, stbl.content, stbl.end, type));
  const isDamaged = (box: Box | null | undefined) => box && !data.isKnown(box.start, box.end);
  if (!stts || isDamaged(stts) || isDamaged(ctts)) return null;
  // Where the walk over the tables broke off, one behind the break may be missing: `ctts` stands behind `stts`.
  const walked = [...boxesIn(data, stbl.content, stbl.end)].at(-1)?.end === stbl.end;
  if (!ctts && !walked) return null;
  const times = {
    decode: new Float64Array(count),
    offset: new Float64Array(count),
    duration: new Float64Array(count),
  };
  let [sample, time] = [0, 0];
  for (const [run, duration] of pairsOf(data, stts)) {
    for (let i = 0; i < run && sample < count; i++, sample++) {
      [times.decode[sample], times.duration[sample]] = [time, duration];
      time += duration;
    }
  }
  if (sample < count) return null;
  sample = 0;
  if (ctts) {
    for (const [run, offset] of pairsOf(data, ctts)) {
      for (let i = 0; i < run && sample < count; i++) times.offset[sample++] = offset | 0;
    }
  }
  if (isDamaged(stss) || (!stss && !walked)) return { ...times, sync: null };
  const sync = new Set<number>();
  if (!stss) for (let i = 0; i < count; i++) sync.add(i);
  else {
    const entries = Math.min(data.uint(stss.content + 4, 4) ?? 0, (stss.end - stss.content - 8) / 4);
    for (let i = 0; i < entries; i++) sync.add(data.uint(stss.content + 8 + 4 * i, 4)! - 1);
  }
  return { ...times, sync };
}

function* pairsOf(data: HoledBytes, box: Box): Generator<[number, number]> {
  const entries = Math.min(data.uint(box.content + 4, 4) ?? 0, Math.floor((box.end - box.content - 8) / 8));
  for (let i = 0; i < entries; i++) {
    yield [data.uint(box.content + 8 + 8 * i, 4)!, data.uint(box.content + 12 + 8 * i, 4)!];
  }
}
