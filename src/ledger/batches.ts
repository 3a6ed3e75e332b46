// Makes journal entries of what is new: segments of one lane that follow each other, as they come, are one.
import type { Segmentation } from '../mission/segmentation.js';
import { type JournalEntry, MAX_BATCH } from './journal.js';
import type { SegmentTable } from './segment-table.js';
import type { Lane, StoredFile } from './stored-file.js';

type Batch = {
  readonly stored: StoredFile;
  readonly key: number;
  readonly step: number;
  count: number;
  lastLength: number;
};

export class Batches {
  readonly #segmentation: Segmentation;
  readonly #add: (entry: JournalEntry) => void;
  /** One of a lane. */
  readonly #pending = new Map<Lane, Batch>();

  /** @param add takes each entry when it is closed */
  constructor(segmentation: Segmentation, add: (entry: JournalEntry) => void) {
    this.#segmentation = segmentation;
    this.#add = add;
  }

  /**
   * Takes `count` segments that follow each other, at most `MAX_BATCH`; the lane's table has them.
   *
   * @param key of the first
   * @param length payload bytes of all but the last
   */
  enter(stored: StoredFile, lane: Lane, key: number, count: number, length: number, lastLength: number): void {
    const firstLength = count > 1 ? length : lastLength;
    const batch = this.#pending.get(lane);
    if (batch && this.#continues(batch, key, count, firstLength)) {
      batch.count += count;
      batch.lastLength = lastLength;
      return;
    }
    this.settle(lane);
    const step = stepFor(this.#segmentation, firstLength);
    this.#pending.set(lane, { stored, key, step, count, lastLength });
  }

  /** No more segments for the lane's open batch: what is entered next comes after it. */
  settle(lane: Lane): void {
    const batch = this.#pending.get(lane);
    if (!batch) return;
    this.#pending.delete(lane);
    const { stored, key, step, count, lastLength } = batch;
    const { file, segments } = stored;
    const hashes = lane.table.hashesOf?.(key, count) ?? hashesOneByOne(lane.table, key, step, count);
    this.#add({ kind: 'segments', file, segments, lane: lane.index, key, step, lastLength, hashes });
  }

  settleAll(): void {
    for (const lane of this.#pending.keys()) this.settle(lane);
  }

  #continues(batch: Batch, key: number, count: number, length: number): boolean {
    const full = fullLength(this.#segmentation, batch);
    const isOpen = batch.lastLength === full && batch.count + count <= MAX_BATCH;
    return isOpen && batch.key + batch.count * batch.step === key && length <= full;
  }
}

function hashesOneByOne(table: SegmentTable, key: number, step: number, count: number): Uint32Array {
  return Uint32Array.from({ length: count }, (_, i) => table.hashOf(key + i * step));
}

/** From one key to the next in a batch that begins with a segment of this length. */
export function stepFor({ byOffset, payloadSize, varies }: Segmentation, length: number): number {
  return varies ? length : byOffset ? payloadSize : 1;
}

/** Bytes of each segment of a batch but, perhaps, its last. */
export function fullLength({ varies, payloadSize }: Segmentation, { step }: { readonly step: number }): number {
  return varies ? step : payloadSize;
}
