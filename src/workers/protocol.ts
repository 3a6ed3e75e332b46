// What the threads tell each other: the main thread reads recordings and keeps segments, the others decode. Blocks of a recording
// lie in slots of a memory that both see; of the segments in them only numbers are sent.
import type { Mission } from '../mission/mission.js';
import type { Taken } from '../segments/receive.js';

/** Blocks of one decoder that may be under way at a time. */
export const SLOTS = 4;
export const SLOT_BYTES: number = 4 << 20;

export type DecoderSetup = { readonly mission: Mission };

/** `block`: its bytes stand in the slot; `end`: no more of this recording. */
export type ToDecoder =
  | {
      readonly kind: 'block';
      readonly slot: number;
      readonly length: number;
      /** Offset in the recording. */
      readonly at: number;
      readonly gap: boolean;
    }
  | { readonly kind: 'end' };

/** Numbers of each segment in `Decoded.segments`: file, segments, key, place, length, CRC-32. */
export const SEGMENT_NUMBERS = 6;

/**
 * What one block held. The place of a payload: 0 or more = its offset in the shared memory, in the slot of this block; below 0 =
 * at -1 - place in `spill`, where it was put together from several blocks or was changed on the way.
 */
export type Decoded = {
  readonly kind: 'decoded';
  /** Now free again; -1 for what came at the end of the recording. */
  readonly slot: number;
  readonly segments: Float64Array;
  readonly spill: Uint8Array;
};

export type FromDecoder =
  | { readonly kind: 'ready'; readonly memory: SharedArrayBuffer; readonly slots: readonly number[] }
  | Decoded
  | ({ readonly kind: 'taken' } & Taken);
