// Makes journal entries of what is new: segments of one lane that follow each other, as they come, are one.
import type { Segmentation } from '../mission/segmentation.js';
import { type JournalEntry, MAX_BATCH, type SegmentBatch } from './journal.js';
import type { Lane, StoredFile } from './stored-file.js';

type Pending = { -readonly [K in keyof Omit<SegmentBatch, 'hashes'>]: SegmentBatch[K] } & { hashes: number[] };

export class Batches {
  readonly #segmentation: Segmentation;
  readonly #add: (entry: JournalEntry) => void;
  /** One of a lane. */
  readonly #pending = new Map<Lane, Pending>();

  /** @param add takes each entry when it is closed */
  constructor(segmentation: Segmentation, add: (entry: JournalEntry) => void) {
    this.#segmentation = segmentation;
    this.#add = add;
  }

  /**
   * Takes `count` segments that follow each other, at most `MAX_BATCH`.
   *
   * @param key of the first
   * @param length of all but the last
   * @param hashes theirs, from `hashAt` on
   */
  enter(
    { file, segments }: StoredFile,
    lane: Lane,
    key: number,
    count: number,
    length: number,
    lastLength: number,
    hashes: ArrayLike<number>,
    hashAt: number,
  ): void {
    let batch = this.#pending.get(lane);
    if (!batch || !this.#continues(batch, key, count, count > 1 ? length : lastLength)) {
      this.settle(lane);
      const step = stepFor(this.#segmentation, count > 1 ? length : lastLength);
      batch = { file, segments, lane: lane.index, key, step, lastLength, hashes: [] };
      this.#pending.set(lane, batch);
    }
    for (let i = 0; i < count; i++) batch.hashes.push(hashes[hashAt + i]!);
    batch.lastLength = lastLength;
  }

  /** No more segments for the lane's open batch: what is entered next comes after it. */
  settle(lane: Lane): void {
    const batch = this.#pending.get(lane);
    if (batch) this.#add({ kind: 'segments', ...batch });
    this.#pending.delete(lane);
  }

  settleAll(): void {
    for (const lane of this.#pending.keys()) this.settle(lane);
  }

  #continues(batch: Pending, key: number, count: number, length: number): boolean {
    const full = fullLength(this.#segmentation, batch);
    const isOpen = batch.lastLength === full && batch.hashes.length + count <= MAX_BATCH;
    return isOpen && batch.key + batch.hashes.length * batch.step === key && length <= full;
  }
}

/** From one key to the next in a batch that begins with a segment of this length. */
export function stepFor({ byOffset, payloadSize, varies }: Segmentation, length: number): number {
  return varies ? length : byOffset ? payloadSize : 1;
}

/** Bytes of each segment of a batch but, perhaps, its last. */
export function fullLength({ varies, payloadSize }: Segmentation, { step }: { readonly step: number }): number {
  return varies ? step : payloadSize;
}
