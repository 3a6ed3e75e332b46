// Motion JPEG and H.264 in AVI: the RIFF chunks of the `movi` list, each one frame; after a hole the next chunk that can
// be recognised. Layout as in the published RIFF and AVI format descriptions (common practice).
import { sampleAccessUnit } from './access-units.js';
import { aviSound } from './avi-sound.js';
import type { Clip, Sound } from './clip.js';
import { HoledBytes } from './holed-bytes.js';
import { type MjpegUnit, mjpegClip } from './mjpeg-clip.js';
import { learnFrom, readNalClip } from './nal-clip.js';
import { type Piece, splitByteStream } from './nal-units.js';

type Header = { stream: number; coding: string; rate: number | null; sound: SoundHeader | null };
/** The first sound stream: its number, and where the content of its `strf` begins. */
type SoundHeader = { readonly stream: number; readonly at: number };
type Chunk = { id: string; start: number; end: number };

/** @returns `null` where no frame of a coding read here is found */
export function readAviClip(data: HoledBytes, known: readonly Uint8Array[]): Clip | null {
  const header = readHeader(data);
  const id = String(header?.stream ?? 0).padStart(2, '0');
  const index = indexed(data);
  const all = index ?? [...chunksOf(data)];
  const chunks = all.filter(({ id: own }) => own === `${id}dc` || own === `${id}db`);
  if (chunks.length === 0) return null;
  // Without the index nobody can say how many chunks a hole covers.
  const counted = index !== null || data.gaps.length === 0;
  const remarks = counted ? [] : [indexLost];
  const sound: Sound | null =
    counted && header?.sound ? aviSound(data, header.sound.stream, header.sound.at, all) : null;
  const seconds = 1 / (header?.rate ?? 25);
  const units = chunks.map(
    ({ start, end }, i): MjpegUnit => ({ start, end, decode: i * seconds, present: i * seconds }),
  );
  const coding = header?.coding.toUpperCase() ?? 'MJPG';
  if (['MJPG', 'JPEG', 'AVRN', 'LJPG'].includes(coding)) {
    const clip = mjpegClip(data, units, header?.rate ?? null);
    return clip.units.some(({ units: own }) => own.length > 0) ? { ...clip, sound, remarks } : null;
  }
  if (!['H264', 'X264', 'AVC1'].includes(coding)) return null;
  const clip = readNalClip('h264', [], known, (codec) => {
    const read = units.map(({ start, end }) => piecesIn(data, start, end));
    for (const pieces of read) learnFrom(data, pieces, codec);
    // AVI tells when a chunk is decoded, not when its frame is shown.
    const times = (unit: MjpegUnit) => ({ decode: unit.decode, present: null, sync: null });
    const sample = (unit: MjpegUnit, i: number) =>
      sampleAccessUnit(
        data,
        read[i]!,
        codec,
        times(unit),
        data.unknownIn(unit.start, unit.end) < unit.end - unit.start,
      );
    return { units: units.map(sample), hiddenAtEnd: 0 };
  });
  return (
    clip && {
      ...clip,
      data,
      frameRate: header?.rate ?? null,
      sound,
      remarks: [...remarks, ...clip.remarks],
    }
  );
}

const indexLost =
  'The index of the file did not arrive: frames of which nothing arrived are not counted, those behind them come too early; sound is left out.';

/** The byte stream in one chunk, positions of the whole file. */
function piecesIn(data: HoledBytes, start: number, end: number): Piece[] {
  const gaps: [number, number][] = [];
  for (let i = 0; i < data.gaps.length; i += 2) {
    if (data.gaps[i + 1]! > start && data.gaps[i]! < end) gaps.push([data.gaps[i]! - start, data.gaps[i + 1]! - start]);
  }
  const part = new HoledBytes(data.bytes.subarray(start, end), gaps);
  return [...splitByteStream(part, 1)].map((piece) =>
    'hole' in piece
      ? piece
      : { ...piece, start: piece.start + start, end: piece.end + start, knownEnd: piece.knownEnd + start },
  );
}

/** The first video stream's header, `strh` of type `vids` and the `strf` behind it, and the first sound stream beside it. */
function readHeader(data: HoledBytes): Header | null {
  let stream = -1;
  let video: Omit<Header, 'sound'> | null = null;
  let sound: SoundHeader | null = null;
  for (let at = 12; at + 8 <= data.length; ) {
    const [id, size] = [data.text(at, 4), sizeAt(data, at + 4)];
    if (id === null || size === null || (id === 'LIST' && data.text(at + 8, 4) === 'movi')) break;
    if (id === 'LIST') {
      at += 12;
      continue;
    }
    if (id === 'strh') {
      stream++;
      const kind = data.text(at + 8, 4);
      if (kind === 'vids' && !video) video = readVideoHeader(data, stream, at, size);
      if (kind === 'auds' && data.text(at + 8 + size, 4) === 'strf') sound ??= { stream, at: at + 16 + size };
    }
    at += 8 + size + (size & 1);
  }
  return video && { ...video, sound };
}

function readVideoHeader(data: HoledBytes, stream: number, at: number, size: number): Omit<Header, 'sound'> | null {
  const [scale, rate] = [sizeAt(data, at + 8 + 20), sizeAt(data, at + 8 + 24)];
  const coding = data.text(at + 8 + size + 8 + 16, 4) ?? data.text(at + 12, 4);
  const perSecond = scale && rate ? rate / scale : 0;
  return coding === null ? null : { stream, coding, rate: perSecond >= 0.1 && perSecond <= 1000 ? perSecond : null };
}

const chunkId = /^\d\d(?:dc|db|wb|tx|pc)$/;

/** Chunks behind `movi`; the walk skips what is unknown to the next chunk that looks right. */
function* chunksOf(data: HoledBytes): Generator<Chunk> {
  const movi = data.bytes.indexOf('movi', 0, 'latin1');
  for (let at = movi >= 0 && data.isKnown(movi, movi + 4) ? movi + 4 : 0; at + 8 <= data.length; ) {
    const known = data.nextKnown(at);
    if (known > at) {
      at = known;
      continue;
    }
    const id = data.text(at, 4);
    const size = sizeAt(data, at + 4);
    if (id === 'idx1') return;
    if (id !== null && size !== null && chunkId.test(id) && at + 8 + size <= data.length) {
      yield { id, start: at + 8, end: at + 8 + size };
      at += 8 + size + (size & 1);
    } else if (id === 'LIST' || id === 'RIFF') at += 12;
    else at += id !== null && /^(?:ix\d\d|JUNK|indx)$/.test(id) && size !== null ? 8 + size + (size & 1) : 1;
  }
}

/** The `idx1` index: identifier, flags, place, size of every chunk; `null` where it is not there whole. */
function indexed(data: HoledBytes): Chunk[] | null {
  const at = data.bytes.lastIndexOf('idx1', undefined, 'latin1');
  const size = at < 0 ? null : sizeAt(data, at + 4);
  if (size === null || size % 16 !== 0 || size === 0 || !data.isKnown(at, at + 8 + size)) return null;
  const movi = data.bytes.indexOf('movi', 0, 'latin1');
  const chunks: Chunk[] = [];
  // Places count from the `movi` identifier, in some files from the start of the file: the first chunk there tells.
  for (const base of [movi, 0]) {
    chunks.length = 0;
    let [agreeing, known] = [0, 0];
    for (let entry = at + 8; entry < at + 8 + size; entry += 16) {
      const id = data.text(entry, 4)!;
      const place = base + data.bytes.readUInt32LE(entry + 8);
      const start = place + 8;
      const end = Math.min(start + data.bytes.readUInt32LE(entry + 12), data.length);
      if (start > data.length) continue;
      chunks.push({ id, start, end });
      const found = data.text(place, 4);
      known += found === null ? 0 : 1;
      agreeing += found === id ? 1 : 0;
    }
    if (agreeing > 0 && agreeing === known) return chunks;
  }
  return null;
}

function sizeAt(data: HoledBytes, at: number): number | null {
  return data.isKnown(at, at + 4) ? data.bytes.readUInt32LE(at) : null;
}
