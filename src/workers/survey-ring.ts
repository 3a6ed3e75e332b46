// What the main thread and the surveying threads share: a ring of blocks, and what became of each.

/** Blocks in the ring; a power of two. */
export const BLOCKS = 8;
/** Numbers of each: where it begins and ends in the memory, in what groups frames stand in it, and the address of a `ScanRoom`. */
export const BLOCK_NUMBERS = 5;
/** Places in `counters`. */
export const AT = { claimed: 0, begun: 1 } as const;
export const STATE = { free: 0, waiting: 1, underWay: 2, done: 3 } as const;

export type SurveySetup = {
  /** The main thread's. */
  readonly memory: WebAssembly.Memory;
  /** In it, this thread's own; see `simdOver`. */
  readonly foldRoom: number;
  readonly layoutAt: number;
  /** Shared, as are the others. */
  readonly counters: Int32Array;
  readonly states: Int32Array;
  readonly blocks: Float64Array;
  readonly found: Int32Array;
};
