// The fast way over intact frames that stand one after the other in the fast memory: WebAssembly checks marker and CRC, reads the
// fields, and tells which frames continue each other (../bytes/wasm/frames.ts). Where it cannot, frames are looked at one by one.
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
const RUN_NUMBERS = 7;
const MOST_RUNS = 512;
const MOST_FRAMES = 4096;

const simdModule = simd();
/** Of all scans of this thread: what one finds is taken before the next. */
const runs = simdModule ? takeFastMemory(8 * RUN_NUMBERS * MOST_RUNS) : undefined;
const runNumbers = runs && new Float64Array(runs.buffer, runs.byteOffset, RUN_NUMBERS * MOST_RUNS);
const hashes = simdModule ? takeFastMemory(4 * MOST_FRAMES) : undefined;
const hashNumbers = hashes && new Uint32Array(hashes.buffer, hashes.byteOffset, MOST_FRAMES);

/** Room for layouts is not given back: one for each that this thread has met. */
const scans = new WeakMap<FrameLayout, FrameScan | null>();

export class FrameScan {
  readonly #layout: number;

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

  private constructor({ marker }: FrameLayout, words: Uint32Array, room: Buffer) {
    words[1] = room.byteOffset + 4 * words.length;
    new Uint32Array(room.buffer, room.byteOffset, words.length).set(words);
    room.set(marker, 4 * words.length);
    this.#layout = room.byteOffset;
  }

  /** Looks at `bytes[start, end)` from the start up to the first frame that is not intact; returns how many runs it found. */
  scan(bytes: Uint8Array, start: number, end: number): number {
    const base = baseOf(bytes);
    if (base < 0) return 0;
    const [from, to] = [base + start, base + end];
    return simdModule!.scan(this.#layout, from, to, runs!.byteOffset, MOST_RUNS, hashes!.byteOffset, MOST_FRAMES);
  }

  /** Fills in what the last scan found of its run `index`, all but `bytes`, `start`, `at` and `hashAt`. */
  read(index: number, into: FrameRun): void {
    const at = index * RUN_NUMBERS;
    into.count = runNumbers![at]!;
    into.counter = runNumbers![at + 1]!;
    into.file = runNumbers![at + 2]!;
    into.key = runNumbers![at + 3]!;
    into.segments = runNumbers![at + 4]!;
    into.fileBytes = runNumbers![at + 5]!;
    into.lastLength = runNumbers![at + 6]!;
    into.hashes = hashNumbers!;
  }
}

/** As wasm/frames.ts has it; where the marker stands is filled in later. */
function layoutWords(layout: FrameLayout): Uint32Array | undefined {
  const { marker, length, fields, payload } = layout;
  const { parameters, at, covers, endian } = layout.crc;
  const crc = runs && hashes && marker.length > 0 ? simdCrc(parameters) : undefined;
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
