// One session of a station's recorder, baseband frames in, bytes out: it may begin and end inside a frame, drop bytes, and write
// garbage in their place. Keeps the account of which bytes of the mission's stream it really recorded.
//
// So that the account has one reading only, whatever the tool that decodes later:
// - A byte of a data field counts as recorded when the baseband header of its frame and all bytes between stand before it. The
//   first part of a frame that was cut counts, and whole mission frames in it can be had.
// - What is left of a frame whose first part is gone never holds the start of a mission frame, so nothing can be had from it.
// - Garbage stands only where bytes are missing, so it never parts two pieces that belong together.
// - No hole begins in the first bytes of a mission frame, which all frames share: they could stand in for those of a later one.
// - Damage touches data fields only (channel.ts). Splitting into chunk files takes nothing away.
import type { Random } from './random.js';

/** The geometry of the downlink: baseband frame number `j` carries stream bytes `[j * dataBytes, (j + 1) * dataBytes)`. */
export type Framing = {
  readonly headerBytes: number;
  readonly dataBytes: number;
  /** Mission frame number `k` is stream bytes `[k * missionBytes, (k + 1) * missionBytes)`. */
  readonly missionBytes: number;
};

export type Faults = { readonly cutsFrames: boolean; readonly holes: number; readonly garbage: number };

/** A place in the recording where bytes are missing. */
export type Hole = {
  /** Offset in the recording where it begins. */
  readonly at: number;
  /** Of the baseband frames heard, how many were cut or lost here. */
  readonly frames: number;
  readonly garbage: { readonly kind: 'zeros' | 'noise'; readonly bytes: number } | null;
};

/** What was done to one recording. */
export type RecorderLog = {
  bytes: number;
  basebandFrames: number;
  damagedFrames: number;
  /** Bytes of the first and of the last baseband frame that were cut off. */
  cutAtStart: number;
  cutAtEnd: number;
  holes: Hole[];
};

type Heard = { readonly number: number; readonly record: Uint8Array; readonly flips: readonly number[] };

/** Baseband frames that a hole reaches over, at most, and bytes of garbage in one. */
const LONGEST_HOLE = 3;
const MOST_GARBAGE = 6000;
/** How many first bytes two mission frames may well share: marker, file number, high bytes of the counter. */
const SHARED_BYTES = 20;

export class Recorder {
  readonly log: RecorderLog = {
    bytes: 0,
    basebandFrames: 0,
    damagedFrames: 0,
    cutAtStart: 0,
    cutAtEnd: 0,
    holes: [],
  };
  /** Stream bytes recorded in one piece, flat: [start, end, start, end, …), rising, `end` exclusive. */
  readonly spans: number[] = [];
  readonly #framing: Framing;
  readonly #faults: Faults;
  readonly #random: Random;
  readonly #write: (bytes: Uint8Array) => void;
  /** The last frame heard waits here: only at the end it is known whether it was the last. */
  #waiting: Heard | undefined;
  #started = false;
  /** Frames still to swallow before the hole ends; 0 = recording. */
  #swallow = 0;
  /** Whether the next data byte written follows the last one in the recording, with nothing but a baseband header between. */
  #joined = false;

  /** @param write takes the recording's bytes in order; lent for the call */
  constructor(framing: Framing, faults: Faults, random: Random, write: (bytes: Uint8Array) => void) {
    this.#framing = framing;
    this.#faults = faults;
    this.#random = random;
    this.#write = write;
  }

  /**
   * @param number of the baseband frame since the campaign began, rising; those between were lost
   * @param record its bytes, kept until the next call
   * @param flips offsets in its data field of wrong bytes, rising
   */
  hear(number: number, record: Uint8Array, flips: readonly number[]): void {
    if (this.#waiting) this.#record(this.#waiting);
    this.#waiting = { number, record, flips };
  }

  /** The session ends. */
  stop(): void {
    const last = this.#waiting;
    if (!last) return;
    if (this.#faults.cutsFrames && this.#started && this.#swallow === 0) {
      const kept = 1 + this.#random.below(last.record.length - 1);
      this.log.cutAtEnd = last.record.length - kept;
      this.#keep(last, 0, kept);
    } else {
      this.#record(last);
    }
    this.#waiting = undefined;
  }

  #record(heard: Heard): void {
    const { length } = heard.record;
    if (!this.#started) {
      this.#started = true;
      const from = this.#faults.cutsFrames ? this.#harmlessTail(heard.number) : 0;
      this.log.cutAtStart = from;
      this.#keep(heard, from, length);
    } else if (this.#swallow > 0) {
      this.#swallow -= 1;
      if (this.#swallow === 0) this.#keep(heard, this.#harmlessTail(heard.number), length);
    } else {
      const cut = this.#random.float() < this.#faults.holes ? 1 + this.#random.below(length - 1) : length;
      const hole = cut < length && !this.#isAmongFirstBytes(heard.number, cut);
      this.#keep(heard, 0, hole ? cut : length);
      if (hole) this.#beginHole();
    }
  }

  /** Whether a record cut at `cut` ends in the first bytes of a mission frame. */
  #isAmongFirstBytes(number: number, cut: number): boolean {
    const { headerBytes, dataBytes, missionBytes } = this.#framing;
    const into = (number * dataBytes + Math.max(0, cut - headerBytes)) % missionBytes;
    return into > 0 && into <= SHARED_BYTES;
  }

  #beginHole(): void {
    const random = this.#random;
    this.#swallow = 1 + random.below(LONGEST_HOLE);
    const at = this.log.bytes;
    const frames = this.#swallow + 1;
    if (random.float() >= this.#faults.garbage) {
      this.log.holes.push({ at, frames, garbage: null });
      return;
    }
    const kind = random.float() < 0.5 ? 'zeros' : 'noise';
    const bytes = new Uint8Array(1 + random.below(MOST_GARBAGE));
    this.log.holes.push({ at, frames, garbage: { kind, bytes: bytes.length } });
    this.#put(kind === 'noise' ? random.fill(bytes) : bytes);
  }

  /** A cut in the record after which no mission frame starts in it. */
  #harmlessTail(number: number): number {
    const { headerBytes, dataBytes, missionBytes } = this.#framing;
    const end = (number + 1) * dataBytes;
    const lastStart = Math.floor((end - 1) / missionBytes) * missionBytes - number * dataBytes;
    const from = lastStart < 0 ? 1 : headerBytes + lastStart + 1;
    return from + this.#random.below(headerBytes + dataBytes - from + 1);
  }

  /** Writes bytes `[from, to)` of a frame and accounts for what of its data field can be had. */
  #keep({ number, record, flips }: Heard, from: number, to: number): void {
    this.#put(record.subarray(from, to));
    this.log.basebandFrames += 1;
    if (flips.length > 0) this.log.damagedFrames += 1;
    if (from > 0) {
      this.#joined = false;
      return;
    }
    const { headerBytes, dataBytes } = this.#framing;
    const base = number * dataBytes;
    const kept = Math.max(0, to - headerBytes);
    let start = 0;
    for (const flip of flips) {
      if (flip >= kept) break;
      this.#account(base + start, base + flip);
      this.#joined = false;
      start = flip + 1;
    }
    this.#account(base + start, base + kept);
    this.#joined = to === record.length;
  }

  #account(start: number, end: number): void {
    if (end <= start) return;
    if (this.#joined && this.spans.at(-1) === start) this.spans[this.spans.length - 1] = end;
    else this.spans.push(start, end);
    this.#joined = true;
  }

  #put(bytes: Uint8Array): void {
    this.log.bytes += bytes.length;
    this.#write(bytes);
  }
}
