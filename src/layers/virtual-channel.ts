// What TM and AOS transfer frames have in common (CCSDS 132.0-B, 732.0-B): the frame error control field, the choice of one virtual
// channel, and its frame counts, which tell what was lost and what came twice.
import { makeCrc } from '../bytes/crc.js';
import { CRC_CATALOGUE } from '../bytes/crc-catalogue.js';
import { RollingBuffer } from '../bytes/rolling-buffer.js';
import type { Decoder, LayerCounts, Receiver } from './layer.js';

/** What a frame's header says, and where in the buffer its data stand. */
export type TransferFrame = {
  spacecraft: number;
  channel: number;
  /** Virtual channel frame count, below `modulus`. */
  count: number;
  modulus: number;
  /** Recorded data sent again, with frame counts of their own. */
  replay: boolean;
  /** Index of the first byte of the data zone. */
  start: number;
  /** Index after its last byte. */
  end: number;
  /** Index where the first packet begins, or -1. */
  unitStart: number;
};

/**
 * Reads the frame in `bytes[start, end)`, its FECF not included, into `frame`.
 *
 * @returns what the frame carries; 'other' = not a frame of this kind, `frame` then says nothing; 'wrong' = its pointer leads outside
 */
export type ReadTransferFrame = (
  bytes: Uint8Array,
  start: number,
  end: number,
  frame: TransferFrame,
) => 'data' | 'idle' | 'wrong' | 'other';

export type ChannelOptions = {
  /** Virtual channel; absent = the first one seen that carries data. */
  vcid?: number | undefined;
  /** Spacecraft identifier; absent = that of the first frame of the channel. */
  scid?: number | undefined;
  /** Whether frames end with the error control field; default true. Without it, naming `vcid` is wise: a damaged header may come first. */
  fecf?: boolean | undefined;
};

/** Longer units are no transfer frames, and are not kept: AOS and TM frames end at 65536 and 2048 bytes (from memory). */
export const MAX_FRAME_BYTES = 65536;

const crc = makeCrc(CRC_CATALOGUE['CRC-16/IBM-3740']);

/** Writes the frame error control field in the last two bytes of `frame`. */
export function writeFecf(frame: Uint8Array): void {
  const end = frame.length - 2;
  const value = crc(frame, 0, end);
  frame[end] = value >> 8;
  frame[end + 1] = value & 0xff;
}

/** A frame taken on the channel followed, to compare with the next one; `modulus` 0 = none yet. */
type Last = { count: number; modulus: number };

/**
 * Takes transfer frames as units; hands on the data zones of one virtual channel as a byte stream. The counts alone tell what is
 * lost: a gap below may have cost another channel's frames. So a loss of exactly as many frames as the count has values is not seen.
 */
export class TransferFrameDecoder implements Decoder {
  readonly #next: Receiver;
  readonly #read: ReadTransferFrame;
  readonly #vcid: number | undefined;
  readonly #scid: number | undefined;
  readonly #fecfBytes: number;
  readonly #unit = new RollingBuffer();
  #at = 0;
  readonly #frame: TransferFrame = {
    spacecraft: 0,
    channel: 0,
    count: 0,
    modulus: 0,
    replay: false,
    start: 0,
    end: 0,
    unitStart: -1,
  };
  #followed: { spacecraft: number; channel: number } | undefined;
  readonly #direct: Last = { count: 0, modulus: 0 };
  readonly #replayed: Last = { count: 0, modulus: 0 };
  #wasReplay = false;
  /** The last frame taken, byte for byte. */
  readonly #previous = new RollingBuffer();
  /** Data may be missing before the next zone: at the beginning as well. */
  #lost = true;
  readonly #counts = {
    frames: 0,
    cut: 0,
    fecfWrong: 0,
    notFrames: 0,
    otherSpacecraft: 0,
    otherChannels: 0,
    idleFrames: 0,
    pointersWrong: 0,
    repeated: 0,
    replayed: 0,
    lost: 0,
    countsBack: 0,
  };
  readonly #channels = new Uint32Array(64);

  constructor(options: ChannelOptions, read: ReadTransferFrame, next: Receiver) {
    this.#next = next;
    this.#read = read;
    this.#vcid = options.vcid;
    this.#scid = options.scid;
    this.#fecfBytes = options.fecf === false ? 0 : 2;
  }

  push(buffer: Uint8Array, start: number, end: number, at: number): void {
    if (this.#unit.length === 0) this.#at = at;
    // One byte too many is enough to tell that it is too long.
    const room = MAX_FRAME_BYTES + 1 - this.#unit.length;
    this.#unit.append(buffer, start, Math.min(end, start + room));
  }

  /** Only a frame half received is given up. */
  gap(): void {
    if (this.#unit.length > 0) this.#counts.cut++;
    this.#unit.clear();
  }

  unitEnd(): void {
    if (this.#unit.length > 0) this.#take();
    this.#unit.clear();
  }

  end(): void {
    this.gap();
    this.#next.end();
  }

  counts(): LayerCounts {
    const counts: Record<string, number> = { ...this.#counts };
    for (const [channel, frames] of this.#channels.entries()) {
      if (frames > 0) counts[`virtual channel ${channel}`] = frames;
    }
    return counts;
  }

  #take(): void {
    const { bytes, start, end } = this.#unit;
    const counts = this.#counts;
    const frame = this.#frame;
    counts.frames++;
    if (end - start > MAX_FRAME_BYTES || end - start <= this.#fecfBytes) {
      counts.notFrames++;
      return;
    }
    if (this.#fecfBytes > 0 && crc(bytes, start, end) !== 0) {
      counts.fecfWrong++;
      return;
    }
    const kind = this.#read(bytes, start, end - this.#fecfBytes, frame);
    if (kind === 'other') {
      counts.notFrames++;
      return;
    }
    this.#channels[frame.channel]!++;
    if (kind === 'idle') counts.idleFrames++;
    if (!this.#isFollowed(kind) || this.#isRepeated()) return;
    this.#previous.clear();
    this.#previous.append(bytes, start, end);
    this.#compareCounts();
    if (kind === 'wrong') {
      counts.pointersWrong++;
      this.#lost = true;
    } else if (kind === 'data') {
      if (this.#lost) this.#next.gap();
      this.#lost = false;
      this.#next.push(bytes, frame.start, frame.end, this.#at + frame.start - start, frame.unitStart);
    }
  }

  #isFollowed(kind: 'data' | 'idle' | 'wrong'): boolean {
    const { spacecraft, channel } = this.#frame;
    if (this.#scid !== undefined && spacecraft !== this.#scid) {
      this.#counts.otherSpacecraft++;
      return false;
    }
    if (!this.#followed && kind === 'data' && (this.#vcid === undefined || channel === this.#vcid)) {
      this.#followed = { spacecraft, channel };
    }
    if (!this.#followed) {
      if (this.#vcid !== undefined && channel !== this.#vcid) this.#counts.otherChannels++;
      return false;
    }
    if (spacecraft !== this.#followed.spacecraft) this.#counts.otherSpacecraft++;
    else if (channel !== this.#followed.channel) this.#counts.otherChannels++;
    else return true;
    return false;
  }

  #isRepeated(): boolean {
    const previous = this.#previous;
    const { bytes, start, end } = this.#unit;
    if (bytes.compare(previous.bytes, previous.start, previous.end, start, end) !== 0) return false;
    this.#counts.repeated++;
    return true;
  }

  /** Counts what is missing since the last frame of the same kind, direct or replayed: between the two kinds packets do not go on. */
  #compareCounts(): void {
    const { count, modulus, replay } = this.#frame;
    if (replay) this.#counts.replayed++;
    const last = replay ? this.#replayed : this.#direct;
    if (replay !== this.#wasReplay) this.#lost = true;
    this.#wasReplay = replay;
    if (last.modulus > 0) {
      const common = Math.min(modulus, last.modulus);
      const missing = (count + 2 * common - 1 - (last.count % common)) % common;
      if (missing > 0) this.#lost = true;
      // More than half the way round is rather a step back: frames recorded twice, or a counter that began again.
      if (missing < common / 2) this.#counts.lost += missing;
      else this.#counts.countsBack++;
    }
    last.count = count;
    last.modulus = modulus;
  }
}
