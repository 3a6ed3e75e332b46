// The fast way over intact frames that stand one after the other in the fast memory: WebAssembly checks marker and CRC, reads the
// fields, and tells which frames continue each other (../bytes/wasm/frames.ts). Where it cannot, frames are looked at one by one.
// What is found is told by the bytes alone, so that it may be found beforehand, and by another thread (a survey of a whole block).
import { simdCrc } from '../bytes/crc.js';
import { baseOf, takeFastMemory } from '../bytes/fast-memory.js';
import { simd } from '../bytes/simd.js';
import type { FrameField, FrameLayout } from '../mission/mission.js';

/**
 * Intact frames in a row, each the one that follows the one before: counter and segment go up in step, and all but the last have a
 * full payload.
 */
export type FrameRun = {
  /** Lent for the call, as are the hashes. */
  bytes: Uint8Array;
  /** Of the first payload, in `bytes`, and from one to the next. */
  start: number;
  stride: number;
  /** Of the first frame, in the recording. */
  at: number;
  count: number;
  /** Fields of the first frame; see `FrameReaders`. */
  counter: number;
  file: number;
  key: number;
  /** From one key to the next. */
  step: number;
  segments: number;
  fileBytes: number;
  /** Payload bytes used, as stated: of all but the last, and of the last. */
  length: number;
  lastLength: number;
  /** The low 32 bits of the XXH64 of each payload, `count` of them from `hashAt` on. */
  hashes: Uint32Array;
  hashAt: number;
};

/** One to be filled in. */
export function emptyRun({ length, fields, payload }: FrameLayout): FrameRun {
  const none = { bytes: new Uint8Array(0), start: 0, at: 0, count: 0, counter: 0, file: 0, key: 0, segments: 0 };
  const hashes = new Uint32Array(0);
  const step = fields.offset ? payload.size : 1;
  return { ...none, stride: length, step, fileBytes: 0, length: payload.size, lastLength: 0, hashes, hashAt: 0 };
}

const LAYOUT_WORDS = 14;
const FIELD_WORDS = 4;
const FIELDS = 6;
const RUN_NUMBERS = 9;

/** Room for runs and for hashes of payloads, in the fast memory. */
export class ScanRoom {
  readonly runs: Float64Array;
  readonly hashes: Uint32Array;

  /** `undefined` where there is no room. */
  static take(mostRuns: number, mostFrames: number): ScanRoom | undefined {
    const runs = takeFastMemory(8 * RUN_NUMBERS * mostRuns);
    const hashes = takeFastMemory(4 * mostFrames);
    return runs && hashes && new ScanRoom(runs, hashes);
  }

  private constructor(runs: Buffer, hashes: Buffer) {
    this.runs = new Float64Array(runs.buffer, runs.byteOffset, runs.length / 8);
    this.hashes = new Uint32Array(hashes.buffer, hashes.byteOffset, hashes.length / 4);
  }

  get mostRuns(): number {
    return this.runs.length / RUN_NUMBERS;
  }
}

const simdModule = simd();
/** Of all scans of this thread: what one finds is taken before the next. */
const ownRoom = simdModule ? ScanRoom.take(512, 4096) : undefined;

/** Room for layouts is not given back: one for each that this thread has met. */
const scans = new WeakMap<FrameLayout, FrameScan | null>();

export class FrameScan {
  /** Where the layout stands in the fast memory, for who makes a survey. */
  readonly layoutAt: number;
  readonly #frameBytes: number;
  #survey: ScanRoom | undefined;
  /** Runs of the survey: how many, and the first that may still be asked for. */
  #surveyed = 0;
  #next = 0;
  /** Scans that the survey answered. */
  #hits = 0;
  /** What the last scan found, and its first run there. */
  #found = ownRoom!;
  #first = 0;

  /** `undefined` where such frames are not for it. */
  static of(layout: FrameLayout): FrameScan | undefined {
    let scan = scans.get(layout);
    if (scan === undefined) {
      const words = layoutWords(layout);
      const room = words && takeFastMemory(4 * words.length + layout.marker.length);
      scan = words && room ? new FrameScan(layout, words, room) : null;
      scans.set(layout, scan);
    }
    return scan ?? undefined;
  }

  private constructor({ marker, length }: FrameLayout, words: Uint32Array, room: Buffer) {
    words[1] = room.byteOffset + 4 * words.length;
    new Uint32Array(room.buffer, room.byteOffset, words.length).set(words);
    room.set(marker, 4 * words.length);
    this.layoutAt = room.byteOffset;
    this.#frameBytes = length;
  }

  /** From now on `room` holds what a survey found, `runs` of them, in the bytes that are looked at next. */
  useSurvey(room: ScanRoom, runs: number): void {
    this.#survey = room;
    this.#surveyed = runs;
    this.#next = 0;
    this.#hits = 0;
  }

  /** The bytes surveyed are gone. Returns how often the survey was of use. */
  endSurvey(): number {
    this.#survey = undefined;
    return this.#hits;
  }

  /** Looks at `bytes[start, end)` from the start up to the first frame that is not intact; returns how many runs it found. */
  scan(bytes: Uint8Array, start: number, end: number): number {
    const base = baseOf(bytes);
    if (base < 0) return 0;
    const [from, to] = [base + start, base + end];
    if (this.#survey) {
      const found = this.#lookUp(this.#survey, from, to);
      if (found > 0) return found;
    }
    this.#found = ownRoom!;
    this.#first = 0;
    const { runs, hashes, mostRuns } = ownRoom!;
    return simdModule!.scan(this.layoutAt, from, to, runs.byteOffset, mostRuns, hashes.byteOffset, hashes.length);
  }

  /** Fills in what the last scan found of its run `index`, all but `bytes`, `start` and `at`. */
  read(index: number, into: FrameRun): void {
    const { runs, hashes } = this.#found;
    const at = (this.#first + index) * RUN_NUMBERS;
    into.hashAt = runs[at + 1]!;
    into.count = runs[at + 2]!;
    into.counter = runs[at + 3]!;
    into.file = runs[at + 4]!;
    into.key = runs[at + 5]!;
    into.segments = runs[at + 6]!;
    into.fileBytes = runs[at + 7]!;
    into.lastLength = runs[at + 8]!;
    into.hashes = hashes;
  }

  /** How many runs of the survey stand one after the other from `from` on, all before `to`. */
  #lookUp(survey: ScanRoom, from: number, to: number): number {
    const { runs } = survey;
    let next = this.#next;
    while (next < this.#surveyed && runs[next * RUN_NUMBERS]! < from) next++;
    this.#next = next;
    let found = 0;
    for (let at = from; next < this.#surveyed; next++, found++) {
      const end = at + runs[next * RUN_NUMBERS + 2]! * this.#frameBytes;
      if (runs[next * RUN_NUMBERS] !== at || end > to) break;
      at = end;
    }
    if (found === 0) return 0;
    this.#hits++;
    this.#found = survey;
    this.#first = this.#next;
    this.#next = next;
    return found;
  }
}

/** As wasm/frames.ts has it; where the marker stands is filled in later. */
function layoutWords(layout: FrameLayout): Uint32Array | undefined {
  const { marker, length, fields, payload } = layout;
  const { parameters, at, covers, endian } = layout.crc;
  const crc = ownRoom && marker.length > 0 ? simdCrc(parameters) : undefined;
  if (!crc) return undefined;
  const words = new Uint32Array(LAYOUT_WORDS + FIELDS * FIELD_WORDS);
  const crcBytes = parameters.width / 8;
  const isSwapped = crcBytes === 2 && crc.isSwappedIfBig === (endian === 'big');
  words.set([length, 0, marker.length]);
  words.set([crc.tables, crc.first, crc.added, covers[0], covers[1] - covers[0], at, crcBytes, Number(isSwapped)], 3);
  words.set([payload.at, payload.size, fields.offset ? payload.size : 1], 11);
  const inOrder: (FrameField | undefined)[] = [
    fields.counter,
    fields.file,
    fields.segment ?? fields.offset,
    fields.segments,
    fields.bytes,
    fields.length,
  ];
  inOrder.forEach((field, i) => {
    if (field) words.set([field.at, field.bit, field.bits, Number(field.endian === 'little')], LAYOUT_WORDS + 4 * i);
  });
  return words;
}
