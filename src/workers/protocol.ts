// What the threads tell each other: the main thread keeps segments, the others read and decode. Blocks of a recording lie in slots of a memory that both see, and so do the lists of the segments found in them.
import type { RecordingError } from '../errors.js';
import type { Mission } from '../mission/mission.js';
import type { Taken } from '../segments/receive.js';

/** Blocks of one decoder that may be under way at a time. */
export const SLOTS = 8;
/** Small enough for what one processor has read to be in its cache when another comes to it. */
export const SLOT_BYTES: number = 1 << 20;
/** Beside each block, for payloads that lie across two. */
export const ASIDE_BYTES: number = 1 << 16;
/** Numbers of one block's segments for which there is room in the shared list; more are sent in a list of their own. */
export const LISTED_NUMBERS: number = 1 << 15;

export type DecoderSetup = { readonly mission: Mission };

/**
 * `read`: a recording that is these files, one after the other; `free`: a slot of it. `block`: bytes of a recording that the main
 * thread reads stand in the slot; `end`: no more of it.
 */
export type ToDecoder =
  | {
      readonly kind: 'block';
      readonly slot: number;
      readonly length: number;
      /** Offset in the recording. */
      readonly at: number;
      readonly gap: boolean;
    }
  | { readonly kind: 'end' }
  | { readonly kind: 'read'; readonly files: readonly string[] }
  | { readonly kind: 'free'; readonly slot: number };

/** Numbers of each run in a list, before the hashes of its payloads: as `SegmentRun` has them, of `start` the place. */
export const RUN_NUMBERS = 12;

/**
 * What one block held. The place of a run's first payload: 0 or more = its offset in the shared memory, in the slot of this block or
 * beside it, where it was put together from several blocks or was changed on the way; below 0 = at -1 - place in `spill`.
 */
export type Decoded = {
  readonly kind: 'decoded';
  /** Now free again; -1 for what came at the end of the recording. */
  readonly slot: number;
  /** Of the block. */
  readonly bytes: number;
  /** Numbers in the list. */
  readonly listed: number;
  /** The list, where the slot's own has no room for it. */
  readonly list?: Float64Array | undefined;
  readonly spill: Uint8Array;
};

/** A RecordingError, as it can be sent. */
export type Problem = Pick<RecordingError, 'code' | 'file' | 'offset' | 'reason'>;

/** Where in the decoder's memory what lies, bytes. */
export type Places = {
  readonly memory: WebAssembly.Memory;
  readonly slots: readonly number[];
  readonly lists: readonly number[];
  /** Where the main thread gathers what it writes. */
  readonly gatherAt: number;
};

export type Ended = {
  readonly kind: 'taken';
  readonly taken: Taken;
  /** Of a recording read by the decoder: its bytes, and why it could not be read on. */
  readonly bytes: number;
  readonly problem: Problem | undefined;
};

export type FromDecoder = ({ readonly kind: 'ready' } & Places) | Decoded | Ended;
