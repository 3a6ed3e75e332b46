// What one level of a recording holds, kept to be read again: bytes with their places, unit borders and gaps, up to a bound. The
// search reads the same tape with every layer that might fit.
import { LAYERS } from '../layers/index.js';
import type { LayerCounts, Receiver } from '../layers/layer.js';

type Piece = {
  readonly start: number;
  readonly end: number;
  readonly at: number;
  readonly unitStart: number;
  /** Bytes were lost before it. */
  readonly gap: boolean;
  /** A unit ends behind it. */
  ends: boolean;
};

/** Bytes of a level that are kept: enough for hundreds of the longest frames. */
export const EXCERPT_BYTES: number = 4 << 20;

/** A receiver that copies up to `EXCERPT_BYTES` and passes over the rest. */
export class Tape implements Receiver {
  #data = Buffer.alloc(1 << 16);
  #used = 0;
  #gap = false;
  readonly #pieces: Piece[] = [];

  push(buffer: Uint8Array, start: number, end: number, at: number, unitStart: number): void {
    const until = Math.min(end, start + EXCERPT_BYTES - this.#used);
    if (until <= start) return;
    const needed = this.#used + until - start;
    if (needed > this.#data.length) {
      const larger = Buffer.alloc(Math.min(EXCERPT_BYTES, Math.max(needed, 2 * this.#data.length)));
      larger.set(this.#data.subarray(0, this.#used));
      this.#data = larger;
    }
    this.#data.set(buffer.subarray(start, until), this.#used);
    const unit = unitStart >= start && unitStart < until ? this.#used + unitStart - start : -1;
    this.#pieces.push({ start: this.#used, end: needed, at, unitStart: unit, gap: this.#gap, ends: false });
    this.#used = needed;
    this.#gap = false;
  }

  gap(): void {
    this.#gap = true;
  }

  unitEnd(): void {
    const last = this.#pieces.at(-1);
    if (last) last.ends = true;
  }

  end(): void {}

  get isFull(): boolean {
    return this.#used >= EXCERPT_BYTES;
  }

  /** All bytes, those of all units one after the other; a view. */
  get data(): Buffer {
    return this.#data.subarray(0, this.#used);
  }

  get hasUnits(): boolean {
    return this.#pieces.some(({ ends }) => ends);
  }

  /** Whole units as ranges in `data`; a unit with a gap in it is left out. */
  units(): { start: number; end: number }[] {
    const units: { start: number; end: number }[] = [];
    let start = 0;
    let isBroken = false;
    for (const piece of this.#pieces) {
      if (piece.gap && piece.start > start) isBroken = true;
      if (!piece.ends) continue;
      if (!isBroken) units.push({ start, end: piece.end });
      start = piece.end;
      isBroken = false;
    }
    return units;
  }

  /** Indices in `data` behind which a new unit begins, rising. */
  borders(): number[] {
    return this.#pieces.filter(({ ends }) => ends).map(({ end }) => end);
  }

  /** The same bytes without unit borders, as the layer `stream` joins them; shares the bytes. */
  joined(): Tape {
    return this.#with(this.#pieces.map((piece) => ({ ...piece, ends: false })));
  }

  /** The first `bytes`; shares them. */
  head(bytes: number): Tape {
    const pieces = this.#pieces.filter(({ start }) => start < bytes);
    const tape = this.#with(pieces.map((piece) => (piece.end > bytes ? { ...piece, end: bytes, ends: false } : piece)));
    tape.#used = Math.min(bytes, this.#used);
    return tape;
  }

  /** The same from `data[index]` on; shares the bytes. */
  from(index: number): Tape {
    const rest = this.#pieces.filter(({ end }) => end > index);
    const tape = this.#with(
      rest.map((piece) => ({
        ...piece,
        start: Math.max(piece.start, index) - index,
        end: piece.end - index,
        unitStart: piece.unitStart < index ? -1 : piece.unitStart - index,
        at: piece.at + Math.max(0, index - piece.start),
      })),
    );
    tape.#data = this.#data.subarray(index);
    tape.#used = this.#used - index;
    return tape;
  }

  /** Plays everything to `receiver`, its end included. */
  play(receiver: Receiver): void {
    for (const { start, end, at, unitStart, gap, ends } of this.#pieces) {
      if (gap) receiver.gap();
      receiver.push(this.#data, start, end, at, unitStart);
      if (ends) receiver.unitEnd();
    }
    receiver.end();
  }

  #with(pieces: readonly Piece[]): Tape {
    const tape = new Tape();
    tape.#data = this.#data;
    tape.#used = this.#used;
    tape.#pieces.push(...pieces);
    return tape;
  }
}

/** What the layer `name` makes of a level: its counts, and the level inside. */
export function readLayer(
  tape: Tape,
  name: string,
  options: Readonly<Record<string, unknown>> = {},
): { counts: LayerCounts; tape: Tape } {
  const inside = new Tape();
  const definition = LAYERS.get(name)!;
  const decoder = definition.decoder(definition.options.parse(options), inside);
  tape.play(decoder);
  return { counts: decoder.counts(), tape: inside };
}
