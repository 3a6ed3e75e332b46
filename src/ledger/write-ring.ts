// What the main thread and the writing thread share beside the ring of writes.
import type { MessagePort } from 'node:worker_threads';
import type { OrderRing } from './order-ring.js';

/** Numbers of each write: file, position in it, which memory, where in it, bytes. */
export const NUMBERS = 5;

/** Places in `states`. */
export const AT = { hasFailed: 0, isReady: 1 } as const;

export type WriterSetup = {
  readonly ring: OrderRing;
  /** Shared. */
  readonly states: Int32Array;
  /** Memories (`Lent`) come here, and what a write met (`WriteFailure`) goes back. */
  readonly port: MessagePort;
};

/** A memory to write from; they are numbered as they come. */
export type Lent = { readonly buffer: SharedArrayBuffer };

export type WriteFailure = { readonly message: string; readonly code: string | undefined };
