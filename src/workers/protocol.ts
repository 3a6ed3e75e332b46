// What the threads tell each other: the main thread reads recordings and keeps segments, the others decode. Blocks of a recording
// lie in slots of a memory that both see, and so do the lists of the segments found in them.
import type { Mission } from '../mission/mission.js';
import type { Taken } from '../segments/receive.js';

/** Blocks of one decoder that may be under way at a time. */
export const SLOTS = 4;
export const SLOT_BYTES: number = 4 << 20;
/** Segments of one block for which there is room in the shared list; more are sent in a list of their own. */
export const LISTED_SEGMENTS = 8192;

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

/** Numbers of each segment in a list: file, segments, key, place, length, hash of the payload. */
export const SEGMENT_NUMBERS = 6;

/**
 * What one block held. The place of a payload: 0 or more = its offset in the shared memory, in the slot of this block; below 0 =
 * at -1 - place in `spill`, where it was put together from several blocks or was changed on the way.
 */
export type Decoded = {
  readonly kind: 'decoded';
  /** Now free again; -1 for what came at the end of the recording. */
  readonly slot: number;
  readonly count: number;
  /** The list, where the slot's own has no room for it. */
  readonly segments?: Float64Array | undefined;
  readonly spill: Uint8Array;
};

/** Where in the decoder's memory what lies, bytes. */
export type Places = {
  readonly memory: WebAssembly.Memory;
  readonly slots: readonly number[];
  readonly lists: readonly number[];
  /** Where the main thread gathers what it writes. */
  readonly gatherAt: number;
};

export type FromDecoder = ({ readonly kind: 'ready' } & Places) | Decoded | ({ readonly kind: 'taken' } & Taken);
