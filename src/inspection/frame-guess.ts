// The mission's own frame: where it begins, how long it is and which CRC of the catalogue proves it. Without a CRC that fits, what
// comes back regularly stays a guess and is no finding.
import { type Crc, crc32, makeCrc } from '../bytes/crc.js';
import { CRC_CATALOGUE, CRC_NAMES, type CrcName } from '../bytes/crc-catalogue.js';
import { type FieldGuess, guessFields } from './field-guess.js';
import type { Finding } from './finding.js';
import { outOf } from './finding.js';
import { regularValues } from './marker-guess.js';
import type { Tape } from './tape.js';

export type FrameGuess = {
  /** Hexadecimal; empty where units of one length are frames. */
  readonly marker: string;
  /** Bytes at the start that are the same in all frames looked at: the marker, and perhaps more. */
  readonly constant: number;
  readonly length: number;
  readonly crc: {
    readonly name: CrcName;
    readonly at: number;
    readonly covers: readonly [number, number];
    readonly endian: 'big' | 'little';
  };
  /** Frames of the excerpt whose CRC is right, of those that stand where frames should. */
  readonly right: number;
  readonly frames: number;
  /** Of those with the right CRC, how many lie in one unit of the layer below. */
  readonly inUnits: number;
  readonly fields: FieldGuess;
};

type Check = {
  readonly name: CrcName;
  readonly crc: Crc;
  readonly bytes: number;
  readonly endian: 'big' | 'little';
  readonly from: number;
};

const MARKER_BYTES = 4;
/** Frames in which a byte must be the same to be called constant, of so many looked at, and bytes counted as such. */
const CONSTANT_SHARE = 0.9;
const SAMPLED = 512;
const LONGEST_CONSTANT = 64;
/** Over a frame with its own CRC a CRC comes to the same each time. */
const LONGEST_CRC = 4;
/** Longer ones are rare, and what is constant behind may be the high bytes of a counter. */
const LONGEST_COVER_START = 8;
const LONGEST_FRAME = 1 << 16;
/** Frames on which CRCs are tried, and a CRC counts once it is right on half of them. */
const TRIED = 24;
/** A CRC that is wrong on so many is not looked at further. */
const TRIED_FIRST = 6;
const MIN_RIGHT = 4;
/** Of the places with the marker. */
const MIN_SHARE = 0.2;
/** A narrow CRC is right by accident too often for four. */
const MIN_RIGHT_CRC8 = 12;
const MAX_FRAMES = 4096;
const MAX_VALUES = 24;
const MAX_PHASES = 12;

export function probeFrames(tape: Tape): Finding[] {
  const guess = guessByUnits(tape) ?? guessByMarker(tape);
  if (!guess) return [];
  const { marker, length, right, frames, inUnits, crc } = guess;
  const what = marker ? `marker ${marker} every ${length} bytes` : `units of ${length} bytes`;
  return [
    {
      layer: 'frame',
      options: {},
      proof: `${what}; ${crc.name} right on ${outOf(right, frames)}`,
      counts: { intact: right, damaged: frames - right },
      explained: inUnits * length,
      level: 'innermost',
      tape: undefined,
      frame: guess,
      unknown: openQuestions(guess),
    },
  ];
}

/** What the frames do not tell of themselves. */
function openQuestions({ fields: { fields, payload } }: FrameGuess): string[] {
  const needed = ['counter', 'file', fields.offset ? 'offset' : 'segment'] as const;
  const guessed = Object.entries(fields).flatMap(([name, guess]) => (guess && !guess.certain ? [name] : []));
  const missing = needed.filter((name) => !fields[name]);
  return [
    ...(missing.length > 0 ? [`which bytes of the frames are ${missing.join(', ')}: no bytes behave like it`] : []),
    ...(guessed.length > 0 ? [`whether ${guessed.join(', ')} of the frames are read right: only a guess`] : []),
    ...(payload.certain ? [] : ['where in the frames the payload begins']),
  ];
}

function guessByMarker(tape: Tape): FrameGuess | undefined {
  const { data } = tape;
  const tried = new Set<string>();
  for (const { places, distance } of regularValues(data, MAX_VALUES)) {
    if (distance > LONGEST_FRAME) continue;
    const chained = places.filter(
      (place, i) => places[i + 1] === place + distance || places[i - 1] === place - distance,
    );
    for (const phase of phasesOf(data, chained, distance)) {
      const first = (chained[0]! + phase) % distance;
      if (tried.has(`${distance} ${first}`)) continue;
      tried.add(`${distance} ${first}`);
      const starts = chained.map((place) => place + phase).filter((start) => start + distance <= data.length);
      const constant = constantRun(data, starts, distance);
      const known = starts.find((start) => start >= 0);
      if (constant < 2 || known === undefined) continue;
      // Markers do not begin like small numbers do.
      if (data.readUInt16BE(known) === 0) continue;
      const check = findCrc(data, starts, distance, constant);
      if (check) return describe(tape, allStarts(data, starts, constant, distance, check), distance, constant, check);
    }
  }
  return undefined;
}

/** Where a frame may begin, in bytes behind the value that comes back: at each stretch of bytes that are the same in all. */
function phasesOf(data: Buffer, places: readonly number[], distance: number): number[] {
  const sample = places.filter((place) => place + distance <= data.length).slice(0, TRIED * 4);
  if (sample.length < MIN_RIGHT) return [];
  const flags = Array.from({ length: distance }, (_, offset) => isConstantAt(data, sample, offset));
  if (flags.every(Boolean)) return [];
  const runs: { start: number; size: number }[] = [];
  for (let offset = 0; offset < distance; offset++) {
    if (!flags[offset] || flags[(offset + distance - 1) % distance]) continue;
    let size = 1;
    while (flags[(offset + size) % distance]) size++;
    runs.push({ start: offset, size });
  }
  // Long stretches first. What lies more than half a frame behind the value rather stands before it.
  return runs
    .sort((a, b) => b.size - a.size)
    .slice(0, MAX_PHASES)
    .map(({ start }) => (start > distance / 2 ? start - distance : start));
}

/** Whether the byte at `offset` is the same in nearly all frames: as in the first or, should that be damaged, in the second. */
function isConstantAt(data: Buffer, starts: readonly number[], offset: number): boolean {
  return starts.slice(0, 2).some((reference) => {
    const byte = data[reference + offset];
    let same = 0;
    for (const start of starts) if (data[start + offset] === byte) same++;
    return same >= CONSTANT_SHARE * starts.length;
  });
}

/** Bytes from the start on that are the same in nearly all frames. */
function constantRun(data: Buffer, starts: readonly number[], length: number): number {
  const sample = starts.filter((start) => start >= 0).slice(0, SAMPLED);
  let size = 0;
  while (size < Math.min(length, LONGEST_CONSTANT) && isConstantAt(data, sample, size)) size++;
  return size;
}

/** The CRC that is right at the end of the frames, the commonest forms first. */
function findCrc(data: Buffer, starts: readonly number[], length: number, constant: number): Check | undefined {
  const sample = spread(
    starts.filter((start) => start >= 0),
    TRIED,
  );
  if (sample.length < MIN_RIGHT) return undefined;
  // The same bytes over and over prove a CRC but once; and fill has the right one of many a kind.
  const contents = new Map(sample.map((start) => [crc32(data, start, start + length - LONGEST_CRC), start]));
  const varied = [...contents.values()].filter((start) =>
    data.subarray(start, start + length).some((byte) => byte !== data[start]),
  );
  const first = varied.slice(0, TRIED_FIRST);
  const covers = [
    ...new Set([
      0,
      Math.min(MARKER_BYTES, constant),
      ...Array.from({ length: Math.min(constant, LONGEST_COVER_START) }, (_, i) => i + 1),
    ]),
  ];
  let best: (Check & { right: number }) | undefined;
  for (const name of CRC_NAMES) {
    const parameters = CRC_CATALOGUE[name];
    const bytes = parameters.width / 8;
    const crc = makeCrc(parameters);
    const needed = Math.max(bytes === 1 ? MIN_RIGHT_CRC8 : MIN_RIGHT, Math.ceil(varied.length / 2));
    for (const from of covers) {
      if (from >= length - bytes) continue;
      for (const endian of bytes === 1 ? (['big'] as const) : (['big', 'little'] as const)) {
        const check = { name, crc, bytes, endian, from };
        if (!first.some((start) => isRight(data, start, length, check))) continue;
        const right = varied.filter((start) => isRight(data, start, length, check)).length;
        if (right >= needed && (!best || right > best.right || (right === best.right && bytes > best.bytes)))
          best = { ...check, right };
      }
    }
  }
  return best;
}

function isRight(data: Buffer, start: number, length: number, { crc, bytes, endian, from }: Check): boolean {
  const at = start + length - bytes;
  const stated = endian === 'big' ? data.readUIntBE(at, bytes) : data.readUIntLE(at, bytes);
  return crc(data, start + from, at) === stated;
}

function spread<T>(all: readonly T[], most: number): T[] {
  const step = Math.max(1, all.length / most);
  return Array.from({ length: Math.min(most, all.length) }, (_, i) => all[Math.floor(i * step)]!);
}

/** Every place of the excerpt with the frame's first bytes, damaged frames and lone ones too. */
function allStarts(data: Buffer, starts: readonly number[], constant: number, length: number, check: Check): number[] {
  const sample = starts.find((start) => start >= 0 && isRight(data, start, length, check))!;
  const marker = markerOf(data, sample, constant, check);
  const all: number[] = [];
  for (let at = data.indexOf(marker); at >= 0 && at + length <= data.length; at = data.indexOf(marker, at + 1)) {
    // In a payload the marker may stand by accident: not where a frame is proven to lie.
    const last = all.at(-1);
    if (last !== undefined && at < last + length && isRight(data, last, length, check)) continue;
    all.push(at);
  }
  return all;
}

/** A CRC that begins behind the marker tells its length; else four bytes, the commonest. */
function markerBytes(constant: number, { from }: Check): number {
  return from > 1 ? from : Math.min(MARKER_BYTES, constant);
}

/** Zeros at the end may be the high bytes of what follows. */
function markerOf(data: Buffer, start: number, constant: number, check: Check): Buffer {
  let end = start + markerBytes(constant, check);
  while (check.from <= 1 && end > start + 2 && data[end - 1] === 0) end--;
  return data.subarray(start, end);
}

function describe(
  tape: Tape,
  starts: readonly number[],
  length: number,
  constant: number,
  check: Check,
): FrameGuess | undefined {
  const { data } = tape;
  const right = starts.filter((start) => isRight(data, start, length, check));
  if (right.length < MIN_RIGHT || right.length < MIN_SHARE * starts.length) return undefined;
  const marker = markerOf(data, right[0]!, constant, check);
  const size = marker.length;
  const at = length - check.bytes;
  return {
    marker: marker.toString('hex').toUpperCase(),
    constant: Math.max(size, constantRun(data, right, length)),
    length,
    crc: { name: check.name, at, covers: [check.from, at], endian: check.endian },
    right: right.length,
    frames: starts.length,
    inUnits: countInUnits(tape, right, length),
    fields: guessFields(data, right.slice(0, MAX_FRAMES), { first: size, crcAt: at }),
  };
}

/** Of frames beginning at `starts`, rising, how many end before the unit does; all where nothing has borders. */
function countInUnits(tape: Tape, starts: readonly number[], length: number): number {
  if (!tape.hasUnits) return starts.length;
  const borders = tape.borders();
  let next = 0;
  return starts.filter((start) => {
    while (next < borders.length && borders[next]! <= start) next++;
    return next === borders.length || start + length <= borders[next]!;
  }).length;
}

/** Small numbers begin with zeros, markers do not. */
const isMostlyZero = (data: Buffer, start: number): boolean =>
  data.subarray(start, start + MARKER_BYTES).filter((byte) => byte === 0).length >= 2;

/** Frames without a marker: units that are all of one length, or hold several of one length, and end with a CRC. */
function guessByUnits(tape: Tape): FrameGuess | undefined {
  const { data } = tape;
  const units = tape.units();
  const sizes = new Map<number, number>();
  for (const { start, end } of units) sizes.set(end - start, (sizes.get(end - start) ?? 0) + 1);
  const [size, times] = [...sizes].reduce((a, b) => (b[1] > a[1] ? b : a), [0, 0]);
  if (times < MIN_RIGHT || times < 0.5 * units.length || size < SHORTEST_UNIT) return undefined;
  const own = units.filter(({ start, end }) => end - start === size).map(({ start }) => start);
  for (let parts = 1; parts <= MAX_PARTS; parts++) {
    if (size % parts !== 0 || size / parts < SHORTEST_UNIT) continue;
    const length = size / parts;
    const starts = own.flatMap((start) => Array.from({ length: parts }, (_, n) => start + n * length));
    const check = findCrc(data, starts, length, 0);
    if (!check) continue;
    const right = starts.filter((start) => isRight(data, start, length, check));
    const at = length - check.bytes;
    const constant = constantRun(data, right, length);
    if (constant >= MARKER_BYTES && !isMostlyZero(data, right[0]!)) return undefined;
    return {
      marker: '',
      constant,
      length,
      crc: { name: check.name, at, covers: [check.from, at], endian: check.endian },
      right: right.length,
      frames: starts.length,
      inUnits: right.length,
      fields: guessFields(data, right.slice(0, MAX_FRAMES), { first: 0, crcAt: at }),
    };
  }
  return undefined;
}

const SHORTEST_UNIT = 8;
const MAX_PARTS = 16;
