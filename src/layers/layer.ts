// The contract of a layer: one file with its decoder and its encoder side by side, named in layers/index.ts.
import type { z } from 'zod';

/**
 * What takes the bytes of one level. Calls are synchronous; `buffer` is only lent for the call.
 *
 * Bytes of successive `push` calls follow each other without a gap unless `gap()` or `unitEnd()` was called between.
 */
export interface Receiver {
  /**
   * @param start first byte in `buffer`
   * @param end first byte not meant
   * @param at offset in the recording of the byte at `start`
   * @param unitStart index in `buffer` where the layer below says that a unit begins, or -1 where it says nothing
   */
  push(buffer: Uint8Array, start: number, end: number, at: number, unitStart: number): void;
  /**
   * Takes the first units of a train at once, as if each were pushed, without a word of where units begin in it, and then ended. A
   * unit is of the train if its lead is that of the first, and what comes behind the unit begins with it, too.
   *
   * @param train lent for the call
   * @returns how many it took
   */
  pushTrain?(train: UnitTrain): number;
  /**
   * Called before the `push` of a unit that the layer below counts.
   *
   * @param count as sent, wrapped: of the unit's first part, where it came in several
   * @param parts how many that are, each with a count of its own
   */
  sequence?(count: number, parts: number): void;
  /** Bytes were lost here: what is half received cannot be continued. */
  gap(): void;
  /** The layer below ended a packet here: units do not continue across it (a stream layer joins them again). */
  unitEnd(): void;
  /** No more bytes. */
  end(): void;
}

/** Units of one size that lie equally far apart, behind a header each. */
export type UnitTrain = {
  buffer: Uint8Array;
  /** First byte of the first unit. */
  start: number;
  size: number;
  /** From one unit to the next, bytes. */
  pitch: number;
  /** Bytes right before each unit, at most `pitch - size`. */
  lead: number;
  /** There are no more; behind the last there is still a lead, be it as the others or not. */
  count: number;
  /** Offset in the recording of the byte at `start`. */
  at: number;
};

/** Whether the lead before a unit is that before the first. */
export function hasLead({ buffer, start, pitch, lead }: UnitTrain, unit: number): boolean {
  const before = start - lead;
  for (let i = 0; i < lead; i++) if (buffer[before + unit * pitch + i] !== buffer[before + i]) return false;
  return true;
}

/** Named counts of one layer in one recording, for `inspect` and the report, in the standard's words. */
export type LayerCounts = Readonly<Record<string, number>>;

export interface Decoder extends Receiver {
  counts(): LayerCounts;
}

/** The sending side: takes units of the level above and emits units of its own. */
export interface Encoder {
  /** @param divisible whether the layer may cut the unit where it likes (a stream layer joins it again); default false */
  push(unit: Uint8Array, divisible?: boolean): void;
  /** Emits what is still held back, filled up as the standard says. */
  flush(): void;
}

export type LayerDefinition<Options> = {
  readonly name: string;
  /** Standard and clause. */
  readonly source: string;
  readonly options: z.ZodType<Options>;
  decoder(options: Options, next: Receiver): Decoder;
  encoder(options: Options, emit: Encoder['push']): Encoder;
};
