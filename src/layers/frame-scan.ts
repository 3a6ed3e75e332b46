// The fast way over intact frames that stand one after the other in the fast memory: WebAssembly checks marker and CRC, reads the
// fields, and tells which frames continue each other (../bytes/wasm/frames.ts). Where it cannot, frames are looked at one by one.
// What is found is told by the bytes alone, so that it may be found beforehand, and by another thread (a survey of a whole block).
import { simdCrc } from '../bytes/crc.js';
import { baseOf, takeFastMemory } from '../bytes/fast-memory.js';
import { simd } from '../bytes/simd.js';
import { EVENLY, type Spread } from '../bytes/spread.js';
import type { FrameField, FrameLayout } from '../mission/mission.js';
import { type FrameGroups, FrameSurvey } from './frame-survey.js';
import { RUN, RUN_NUMBERS, ScanRoom } from './scan-room.js';

/**
 * Intact frames in a row, each the one that follows the one before: counter and segment go up in step, and all but the last have a
 * full payload.
 */
export type FrameRun = Spread & {
  /** The payloads lie in it, spread. Lent for the call, as are the hashes. */
  bytes: Uint8Array;
  /** Of the first frame, in the recording; the others are spread as their payloads are. */
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
  return {
    ...none,
    ...EVENLY,
    stride: length,
    step,
    fileBytes: 0,
    length: payload.size,
    lastLength: 0,
    hashes,
    hashAt: 0,
  };
}

const LAYOUT_WORDS = 14;
const FIELD_WORDS = 4;
const FIELDS = 6;

const simdModule = simd();
/** Of all scans of this thread: what one finds is taken before the next. */
const ownRoom = simdModule ? ScanRoom.take(512, 4096) : undefined;

/** Room for layouts is not given back: one for each that this thread has met. */
const scans = new WeakMap<FrameLayout, FrameScan | null>();

export class FrameScan {
  /** Where the layout stands in the fast memory, for who makes a survey. */
  readonly layoutAt: number;
  /** In what groups frames stood when they were last looked at: what a survey is to expect. */
  groups: FrameGroups = EVENLY;
  readonly #frame: FrameRun;
  #survey: FrameSurvey | undefined;
  /** Of what the last scan found; its runs are in `ownRoom`. */
  #hashes = ownRoom!.hashes;

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

  private constructor(layout: FrameLayout, words: Uint32Array, room: Buffer) {
    words[1] = room.byteOffset + 4 * words.length;
    new Uint32Array(room.buffer, room.byteOffset, words.length).set(words);
    room.set(layout.marker, 4 * words.length);
    this.layoutAt = room.byteOffset;
    this.#frame = emptyRun(layout);
  }

  /** From now on `room` holds the runs that a survey found in the bytes that are looked at next. */
  useSurvey(room: ScanRoom, runs: number, groups: FrameGroups): void {
    this.#survey = new FrameSurvey(room, runs, groups, this.#frame);
  }

  get isSurveyed(): boolean {
    return this.#survey !== undefined;
  }

  /** The bytes surveyed are gone. Returns how often the survey was of use. */
  endSurvey(): number {
    const hits = this.#survey?.hits ?? 0;
    this.#survey = undefined;
    return hits;
  }

  /**
   * Looks at `bytes[start, end)` from the start up to the first frame that is not intact.
   *
   * @param groups in which frames are taken to stand
   * @param lead before each group so many bytes are to be as they are before the first; a survey does not look at them
   * @returns how many runs it found; what a survey tells may reach beyond `end`
   */
  scan(bytes: Uint8Array, start: number, end: number, groups: FrameGroups = EVENLY, lead = 0): number {
    const base = baseOf(bytes);
    if (base < 0) return 0;
    const { group, skip } = groups;
    if (skip > 0) this.groups = { group, skip };
    const found = this.#survey?.runsFrom(base + start, base + end, groups, ownRoom!) ?? 0;
    this.#hashes = found > 0 ? this.#survey!.hashes : ownRoom!.hashes;
    if (found > 0) return found;
    return simdModule!.scan(this.layoutAt, base + start, base + end, group, skip, lead, ownRoom!.address);
  }

  /** Fills in what the last scan found of its run `index`, all but where it lies. */
  read(index: number, into: FrameRun): void {
    const { runs } = ownRoom!;
    const at = index * RUN_NUMBERS;
    into.hashAt = runs[at + RUN.hashAt]!;
    into.count = runs[at + RUN.count]!;
    into.counter = runs[at + RUN.counter]!;
    into.file = runs[at + RUN.file]!;
    into.key = runs[at + RUN.key]!;
    into.segments = runs[at + RUN.segments]!;
    into.fileBytes = runs[at + RUN.fileBytes]!;
    into.lastLength = runs[at + RUN.lastBytes]!;
    into.hashes = this.#hashes;
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
