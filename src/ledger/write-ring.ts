// What the main thread and the writing thread share: a ring of writes, and how many were begun and are done.
import type { MessagePort } from 'node:worker_threads';

/** Writes in the ring; a power of two, since their count turns at 2^32. */
export const RING = 64;
/** Numbers of each write: file, position in it, which memory, where in it, bytes. */
export const NUMBERS = 5;

/** Places in `counters`. */
export const AT = { begun: 0, done: 1, hasFailed: 2, isReady: 3 } as const;

export type WriterSetup = {
  /** Shared. */
  readonly counters: Int32Array;
  /** Shared: `RING` times `NUMBERS`. */
  readonly writes: Float64Array;
  /** Memories (`Lent`) come here, and what a write met (`WriteFailure`) goes back. */
  readonly port: MessagePort;
};

/** A memory to write from; they are numbered as they come. */
export type Lent = { readonly buffer: SharedArrayBuffer };

export type WriteFailure = { readonly message: string; readonly code: string | undefined };
