// What one recording proves, in the terms of every mission: runs of transmissions, damaged ones, and what a file delivery says of
// its files. Runs are kept in the ledger and shared by all that follows.
import { distanceTo, type Spread } from '../bytes/spread.js';

/** Intact frames sent one after the other: counters and segments both go up in step. */
export type Run = {
  readonly stretch: number;
  /** Unwrapped counter of the first frame, within its stretch. */
  readonly counter: number;
  count: number;
  readonly file: number;
  /** What the frames state of the file's size: number of segments (bytes, with byte offsets), 0 where they state nothing. */
  readonly segments: number;
  /** Segment number or byte offset of the first frame's segment. */
  readonly key: number;
  /**
   * From one key to the next: 1 for segment numbers, the payload size for byte offsets; in a file delivery, where each file has
   * its own, the longest payload of this transaction so far.
   */
  readonly step: number;
  /** Which of the contents kept for these segments arrived (0 unless contents conflict); -1 = not kept. */
  readonly lane: number;
  /** Offset in the recording of the first frame. */
  readonly at: number;
  /** Tells contents with the same file number and size apart, where a file delivery does; never stored. */
  readonly instance?: number;
};

/** Names the content that a run brings: file number, size, and what tells it from others of the same. */
export function storedId({
  file,
  segments,
  instance,
}: Pick<Run, 'file' | 'segments'> & { readonly instance?: number | undefined }): string {
  return instance === undefined ? `${file}-${segments}` : `${file}-${segments}-${instance}`;
}

/**
 * `Run.segments` of what a file delivery sends beside File Data, and of further packets of one PDU; `Run.key` then tells what. It
 * is never kept, its lane is -1.
 */
export const DIRECTIVES = 1;
export const DIRECTIVE_KEY = { metadata: 0, eof: 1, other: 2 } as const;

/**
 * What Metadata and EOF of a file delivery say of a transaction's file. It holds for the runs of that transaction in the same
 * stretch, from `counter` on, up to the next of the same transaction.
 */
export type Delivery = {
  /** As `transactionFile` makes it of the two. */
  readonly file: number;
  readonly source: number;
  readonly sequence: number;
  readonly stretch: number;
  readonly counter: number;
  /** As sent: untrusted. `null` while no Metadata came; so are the others while nothing tells them. */
  name: string | null;
  bytes: number | null;
  checksumType: number | null;
  checksum: number | null;
  /** Condition of an EOF that cancelled the transfer, else 0. */
  condition: number;
};

/** A frame whose CRC failed. */
export type DamagedFrame = {
  readonly at: number;
  /** The transmission it most likely was; `null` where the neighbours do not tell. */
  readonly transmission: { readonly stretch: number; readonly counter: number } | null;
  /** Its bytes, a copy; shorter than a frame when it was cut. */
  readonly bytes: Uint8Array;
};

/** Segments of one file that follow each other, their payloads spread in `bytes`; all but the last are full. */
export type SegmentRun = Spread & {
  file: number;
  /** See `Run`; `step` as well. */
  segments: number;
  /** Of the first. */
  key: number;
  step: number;
  count: number;
  bytes: Uint8Array;
  /** Payload bytes of all but the last, and of the last. */
  length: number;
  lastLength: number;
  /** The low 32 bits of the XXH64 of each payload, from `hashAt` on. */
  hashes: Uint32Array | Float64Array;
  hashAt: number;
};

/** Where intact segments go; says in which lane the content is kept (see `Run.lane`). */
export interface SegmentStore {
  /** @param hash the low 32 bits of the payload's XXH64, where it is known already */
  store(
    file: number,
    segments: number,
    key: number,
    bytes: Uint8Array,
    start: number,
    length: number,
    hash?: number,
  ): number;
  /**
   * The same of the segments of a run from the one numbered `from` on, many at once, for who can.
   *
   * @param run lent for the call
   * @returns of how many: all that are kept in lane 0; 0 where `store` is to be asked of the next
   */
  storeRun?(run: SegmentRun, from: number): number;
}

/** Payload bytes of a segment of a run. */
export function lengthInRun({ count, length, lastLength }: SegmentRun, index: number): number {
  return index === count - 1 ? lastLength : length;
}

/**
 * Stores a run, at once where it can be.
 *
 * @param onKept told of each `count` segments, from the one numbered `from` on, that are kept in the same lane
 */
export function storeRun(
  run: SegmentRun,
  store: SegmentStore,
  onKept: (from: number, count: number, lane: number) => void,
): void {
  const { count } = run;
  for (let from = 0; from < count; ) {
    const taken = store.storeRun?.(run, from) ?? 0;
    if (taken > 0) {
      onKept(from, taken, 0);
      from += taken;
    } else {
      onKept(from, 1, storeOne(run, from, store));
      from++;
    }
  }
}

function storeOne(run: SegmentRun, index: number, store: SegmentStore): number {
  const { file, segments, key, step, bytes, start, hashes, hashAt } = run;
  const length = lengthInRun(run, index);
  const hash = hashes[hashAt + index]!;
  return store.store(file, segments, key + index * step, bytes, start + distanceTo(index, run), length, hash);
}
