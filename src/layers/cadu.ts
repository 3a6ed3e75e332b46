// Channel access data units (CCSDS 131.0-B; over DVB-S2: 131.3-B): an attached sync marker before each transfer frame, the frame
// perhaps randomized. Finds them in a byte stream by the marker and the grid it stands on; hands on the frames, derandomized.
import { z } from 'zod';
import { makeCrc } from '../bytes/crc.js';
import { CRC_CATALOGUE } from '../bytes/crc-catalogue.js';
import { addMask, type RandomizerName, randomizerSequence } from '../bytes/randomizer.js';
import { UsageError } from '../errors.js';
import type { Decoder, Encoder, LayerCounts, LayerDefinition, Receiver } from './layer.js';
import { LocatedBuffer } from './located-buffer.js';

type Options = {
  /** Bytes from one marker to the next: marker and frame. */
  length: number;
  /** Attached sync marker, hexadecimal; default 1ACFFC1D. */
  marker?: string | undefined;
  /** Bits of a marker that may be wrong where one is due; default 0. The first one of a grid must be right. */
  bitErrors?: number | undefined;
  /** Which sequence was added to the frames; `true` = legacy or new, tried on each frame (the encoder takes legacy). Default none. */
  randomized?: boolean | RandomizerName | undefined;
  /**
   * What proves a frame: 'fecf' (default) = its last two bytes are the frame error control field; 'none' = nothing but markers,
   * first of all those that are a frame's length apart, 2 of 3.
   */
  check?: 'fecf' | 'none' | undefined;
};

const DEFAULT_MARKER = '1ACFFC1D';
const markerBytes = (marker = DEFAULT_MARKER): Buffer => Buffer.from(marker, 'hex');

const optionsSchema: z.ZodType<Options> = z
  .strictObject({
    length: z.number().int().min(8).max(65544),
    marker: z
      .string()
      .regex(/^([0-9A-Fa-f]{2}){2,8}$/, 'expected 2 to 8 bytes in hexadecimal')
      .optional(),
    bitErrors: z.number().int().min(0).max(7).optional(),
    randomized: z.union([z.boolean(), z.enum(['legacy', 'new'])]).optional(),
    check: z.enum(['fecf', 'none']).optional(),
  })
  .refine(({ length, marker }) => length >= markerBytes(marker).length + 4, 'length is too short for marker and frame')
  .refine(
    ({ bitErrors = 0, marker }) => bitErrors <= 2 * markerBytes(marker).length,
    'bitErrors is too many: at most a quarter of the marker may be wrong',
  )
  .refine(
    ({ randomized, check }) => !(randomized === true && check === 'none'),
    'without a check the sequence cannot be found out: name it, randomized: legacy or randomized: new',
  );

export const cadu: LayerDefinition<Options> = {
  name: 'cadu',
  source: 'CCSDS 131.0-B, 131.3-B',
  options: optionsSchema,
  decoder: (options, next) => new CaduDecoder(options, next),
  encoder: (options, emit) => new CaduEncoder(options, emit),
};

const fecf = makeCrc(CRC_CATALOGUE['CRC-16/IBM-3740']);

/** CRCs computed for places inside one broken frame, at most: bounds the work on content crafted to be full of markers. */
const MAX_CHECKS = 64;

/** A way in which frames are sent: what was added to each, and what the CRC over such a frame, as received, comes to. */
type Cover = {
  readonly name: 'plain' | RandomizerName;
  readonly inverted: boolean;
  /** `undefined` = nothing was added. */
  readonly mask: Uint8Array | undefined;
  readonly residue: number;
};

/** The covers an option stands for, each upright and inverted (a phase error of 180 degrees turns every bit). */
function coversOf(randomized: Options['randomized'], length: number): Cover[] {
  const names = randomized === true ? (['legacy', 'new'] as const) : [randomized || ('plain' as const)];
  const zeros = new Uint8Array(length);
  return names.flatMap((name) => {
    const upright = name === 'plain' ? zeros : randomizerSequence(name, length);
    return [false, true].map((inverted) => {
      const mask = inverted ? upright.map((byte) => byte ^ 0xff) : upright;
      // A CRC is affine: over frame + mask it is the frame's, which is 0, plus the mask's, plus that of zeros.
      const residue = fecf(mask, 0, length) ^ fecf(zeros, 0, length);
      return { name, inverted, mask: mask === zeros ? undefined : mask, residue };
    });
  });
}

/**
 * On the grid (`#onGrid`: a frame is due at the buffer's start), or searching for an exact marker. A frame is *proven* by its check.
 * One that is not is handed on where a marker or the grid says that it is one, for the next layer to count, but first what begins
 * inside it is looked at: so no proven frame is passed over. Decisions see `#sight` bytes, however the stream was cut.
 */
class CaduDecoder implements Decoder {
  readonly #next: Receiver;
  readonly #length: number;
  readonly #marker: Buffer;
  readonly #invertedMarker: Buffer;
  readonly #bitErrors: number;
  readonly #hasFecf: boolean;
  readonly #covers: readonly Cover[];
  /** That of the last proven frame. */
  #cover: Cover;
  readonly #frame: Uint8Array;
  readonly #sight: number;
  readonly #buffer = new LocatedBuffer();
  #onGrid = false;
  /** Bytes were passed over since the last frame handed on. */
  #lost = false;
  readonly #counts = { frames: 0, unproven: 0, inverted: 0, markersDamaged: 0, cut: 0, skippedBytes: 0 };
  readonly #randomized = { legacy: 0, new: 0 };

  constructor(options: Options, next: Receiver) {
    this.#next = next;
    this.#length = options.length;
    this.#marker = markerBytes(options.marker);
    this.#invertedMarker = Buffer.from(this.#marker.map((byte) => byte ^ 0xff));
    this.#bitErrors = options.bitErrors ?? 0;
    this.#hasFecf = options.check !== 'none';
    const frameBytes = this.#length - this.#marker.length;
    this.#covers = coversOf(options.randomized, frameBytes);
    this.#cover = this.#covers[0]!;
    this.#frame = new Uint8Array(frameBytes);
    this.#sight = 3 * this.#length + this.#marker.length;
  }

  push(buffer: Uint8Array, start: number, end: number, at: number): void {
    this.#buffer.take(buffer, start, end, at);
    this.#process(false);
  }

  /** A frame across the gap fails its check, and the search inside it finds the next one; without a check, it must not be joined. */
  gap(): void {
    if (!this.#hasFecf) this.#process(true);
  }

  unitEnd(): void {
    this.#process(true);
  }

  end(): void {
    this.#process(true);
    this.#next.end();
  }

  counts(): LayerCounts {
    const { legacy, new: later } = this.#randomized;
    return {
      ...this.#counts,
      ...(legacy > 0 && { 'legacy randomizer': legacy }),
      ...(later > 0 && { 'new randomizer': later }),
    };
  }

  #process(final: boolean): void {
    const buffer = this.#buffer;
    while (buffer.length >= this.#length) {
      const { start } = buffer;
      const cover = this.#proofAt(start, this.#onGrid, final);
      if (cover) {
        this.#cover = cover;
        this.#onGrid = true;
        this.#emit(start, cover, true);
      } else {
        if (!final && buffer.length < this.#sight) return;
        this.#leave(start, final);
      }
    }
    if (!final) return;
    if (this.#senseAt(buffer.start, 0) !== 0) this.#counts.cut++;
    this.#skip(buffer.length);
    buffer.clear();
    this.#onGrid = false;
  }

  /** Goes on behind what is no proven frame: to a proven one that begins inside it, else by its length. */
  #leave(start: number, final: boolean): void {
    const next = start + this.#length;
    const starts = this.#senseAt(start, this.#onGrid ? this.#bitErrors : 0) !== 0;
    // A check of 16 bits now and then passes by accident: one on the grid outweighs one off it.
    const goesOn = this.#onGrid && this.#proofAt(next, true, final) !== undefined;
    const inside = goesOn ? -1 : this.#findProven(start + 1, next, final);
    if (inside >= 0) {
      if (starts && this.#onGrid) this.#counts.cut++;
      this.#skip(inside - start);
      this.#onGrid = false;
      return;
    }
    const holds =
      goesOn ||
      this.#senseAt(next, this.#bitErrors) !== 0 ||
      this.#senseAt(next + this.#length, this.#bitErrors) !== 0 ||
      (final && next === this.#buffer.end);
    // Four bytes are no accident; but where frames can prove themselves, a lone one that does not is not worth handing on.
    const isFrame = this.#onGrid ? starts || holds : starts && (holds || (!this.#hasFecf && this.#marker.length >= 4));
    if (isFrame) this.#emit(start, this.#presumedAt(start), false);
    else if (starts || this.#onGrid) this.#skip(this.#length);
    else this.#skip(this.#nextMarker(start + 1, next) - start);
    this.#onGrid = holds && (starts || this.#onGrid);
  }

  /** The first place in `[from, to)` where a marker stands before a frame that is proven, or -1. */
  #findProven(from: number, to: number, final: boolean): number {
    let at = this.#nextMarker(from, to);
    for (let checks = 0; at < to && checks < MAX_CHECKS; checks++) {
      if (this.#proofAt(at, false, final)) return at;
      at = this.#nextMarker(at + 1, to);
    }
    return -1;
  }

  /** The first exact marker, upright or inverted, in `[from, to)`; else `to`. */
  #nextMarker(from: number, to: number): number {
    const seen = this.#buffer.bytes.subarray(0, Math.min(to + this.#marker.length - 1, this.#buffer.end));
    const upright = seen.indexOf(this.#marker, from);
    const inverted = seen.indexOf(this.#invertedMarker, from);
    return Math.min(upright < 0 ? to : upright, inverted < 0 ? to : inverted);
  }

  /** 1 where a marker stands at `index`, -1 where an inverted one, 0 where none with at most `tolerance` wrong bits. */
  #senseAt(index: number, tolerance: number): number {
    const { bytes, end } = this.#buffer;
    const marker = this.#marker;
    if (index + marker.length > end) return 0;
    if (tolerance === 0 && bytes[index] !== marker[0] && bytes[index] !== this.#invertedMarker[0]) return 0;
    let wrong = 0;
    for (let i = 0; i < marker.length; i++) {
      for (let bits = bytes[index + i]! ^ marker[i]!; bits !== 0; bits &= bits - 1) wrong++;
    }
    if (wrong <= tolerance) return 1;
    return 8 * marker.length - wrong <= tolerance ? -1 : 0;
  }

  /** How the frame with its marker at `index` was sent, if it proves itself; where one is due the marker may be damaged. */
  #proofAt(index: number, due: boolean, final: boolean): Cover | undefined {
    const { bytes, end } = this.#buffer;
    const after = index + this.#length;
    if (after > end) return undefined;
    const sense = this.#senseAt(index, due ? this.#bitErrors : 0);
    if (sense === 0 && !(due && this.#hasFecf)) return undefined;
    const inverted = sense === 0 ? this.#cover.inverted : sense < 0;
    if (!this.#hasFecf) {
      const isFollowed =
        this.#senseAt(after, this.#bitErrors) !== 0 || this.#senseAt(after + this.#length, this.#bitErrors) !== 0;
      return isFollowed || (final && after === end) ? this.#presumedAt(index) : undefined;
    }
    const residue = fecf(bytes, index + this.#marker.length, after);
    for (const cover of this.#covers) {
      if (cover.residue === residue && cover.inverted === inverted) return cover;
    }
    return undefined;
  }

  /** The cover of a frame that does not prove one: as the last one proven, turned as its marker is. */
  #presumedAt(index: number): Cover {
    const sense = this.#senseAt(index, this.#bitErrors);
    const inverted = sense === 0 ? this.#cover.inverted : sense < 0;
    if (inverted === this.#cover.inverted) return this.#cover;
    return this.#covers.find(({ name, inverted: turned }) => name === this.#cover.name && turned === inverted)!;
  }

  #emit(index: number, cover: Cover, proven: boolean): void {
    const counts = this.#counts;
    counts.frames++;
    if (!proven) counts.unproven++;
    if (cover.inverted) counts.inverted++;
    if (this.#senseAt(index, 0) === 0) counts.markersDamaged++;
    if (cover.name !== 'plain') this.#randomized[cover.name]++;
    if (this.#lost) this.#next.gap();
    this.#lost = false;
    const { bytes } = this.#buffer;
    const from = index + this.#marker.length;
    const at = this.#buffer.offsetOf(from);
    if (cover.mask) {
      addMask(bytes, from, cover.mask, this.#frame);
      this.#next.push(this.#frame, 0, this.#frame.length, at, 0);
    } else {
      this.#next.push(bytes, from, from + this.#frame.length, at, from);
    }
    this.#next.unitEnd();
    this.#buffer.start += this.#length;
  }

  #skip(size: number): void {
    if (size === 0) return;
    this.#counts.skippedBytes += size;
    this.#lost = true;
    this.#buffer.start += size;
  }
}

/** Puts the marker before each transfer frame and adds the sequence chosen. */
class CaduEncoder implements Encoder {
  readonly #emit: Encoder['push'];
  readonly #marker: Buffer;
  readonly #mask: Uint8Array;

  constructor({ length, marker, randomized }: Options, emit: Encoder['push']) {
    this.#emit = emit;
    this.#marker = markerBytes(marker);
    const frameBytes = length - this.#marker.length;
    const name = randomized === true ? 'legacy' : randomized;
    this.#mask = name ? randomizerSequence(name, frameBytes) : new Uint8Array(frameBytes);
  }

  /** @throws UsageError when the unit is not exactly one frame */
  push(unit: Uint8Array): void {
    const { length } = this.#mask;
    if (unit.length !== length) {
      throw new UsageError(
        `cadu: expected transfer frames of ${length} bytes (length less marker), got ${unit.length}`,
      );
    }
    const bytes = new Uint8Array(this.#marker.length + length);
    bytes.set(this.#marker);
    addMask(unit, 0, this.#mask, bytes.subarray(this.#marker.length));
    this.#emit(bytes);
  }

  /** Nothing is held back. */
  flush(): void {}
}
