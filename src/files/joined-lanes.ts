// The contents that came under several file numbers, seen as those of one file: nothing is copied, each segment is known by where
// it lies. Contents that agree share a lane, those that do not go to further ones, as in the ledger itself.
import type { Holdings } from '../ledger/holdings.js';
import { newTable } from '../ledger/new-table.js';
import type { SegmentTable } from '../ledger/segment-table.js';
import type { Lane, StoredFile } from '../ledger/stored-file.js';

/** A lane of the ledger, and the file number's content that it is of. */
export type SourceLane = { readonly stored: StoredFile; readonly lane: Lane };

/** `places` tells for each segment, in place of its hash, which of the sources holds it. */
type Joined = { readonly lane: Lane; readonly places: SegmentTable };

export class JoinedLanes {
  readonly #ledger: Holdings;
  readonly #joined: Joined[] = [];
  readonly #sources: SourceLane[] = [];
  readonly #added: { readonly source: SourceLane; readonly keys: () => Iterable<number> }[] = [];
  /** Segments that reading found lost where they were, be they elsewhere or not. */
  lost = 0;
  /** Of each source the segments that are not in the first joined lane. */
  readonly #moves = new Map<Lane, Map<number, number>>();

  constructor(ledger: Holdings) {
    this.#ledger = ledger;
  }

  get lanes(): readonly Lane[] {
    return this.#joined.map(({ lane }) => lane);
  }

  /** Adds all that another of the same ledger holds. */
  addAll(other: JoinedLanes): void {
    for (const { source, keys } of other.#added) this.add(source, keys);
  }

  /** @param keys the segments of the lane that are meant, there or not; may be called again */
  add(source: SourceLane, keys: () => Iterable<number>): void {
    this.#added.push({ source, keys });
    const { table } = source.lane;
    const place = this.#sources.push(source) - 1;
    for (const key of keys()) {
      const length = table.lengthOf(key);
      const hash = table.hashOf(key);
      if (hash < 0) continue;
      let index = this.#joined.findIndex(
        (own) => own.lane.table.isFor(key, length, hash) || this.#isOtherCut(own, key, length, table.fullLength),
      );
      if (index < 0) {
        index = this.#joined.findIndex(({ lane }) => lane.table.isFree(key, length));
        if (index < 0) index = this.#begin();
        this.#joined[index]!.lane.table.add(key, length, hash);
        this.#joined[index]!.places.add(key, length, place);
      }
      // One that is cut otherwise stands in for it: both are of one file, and where one begins its bytes are known.
      if (index > 0) this.#moves.set(source.lane, (this.#moves.get(source.lane) ?? new Map()).set(key, index));
    }
  }

  /** Index of the joined lane that has the content which `lane` of the ledger has at `key`. */
  laneOf(lane: Lane, key: number): number {
    return this.#moves.get(lane)?.get(key) ?? 0;
  }

  /** Whether all segments of a lane of the ledger are in the first joined lane. */
  isInFirst(lane: Lane): boolean {
    return !this.#moves.has(lane);
  }

  /**
   * How a content compares with what is here: the same as one, other than all, or the first at its place.
   *
   * @param fullLength of the segments of the sending that it is of
   */
  compare(key: number, length: number, hash: number, fullLength: number): 'same' | 'other' | 'new' {
    let isThere = false;
    for (const joined of this.#joined) {
      if (joined.lane.table.isFor(key, length, hash)) return 'same';
      isThere ||= joined.lane.table.hashOf(key) >= 0 && !this.#isOtherCut(joined, key, length, fullLength);
    }
    return isThere ? 'other' : 'new';
  }

  /** Whether there is a segment at `key` of another length only because all of its source's are: the sender cut the file anew. */
  #isOtherCut({ lane, places }: Joined, key: number, length: number, fullLength: number): boolean {
    const own = lane.table.lengthOf(key);
    return own > 0 && own !== length && this.#sources[places.hashOf(key)]!.lane.table.fullLength !== fullLength;
  }

  /** As `Ledger.readSegments`, for one of `lanes`. */
  read(lane: Lane, key: number, count: number, into: Uint8Array): void {
    const joined = this.#joined[lane.index]!;
    let from = key;
    for (let done = 0; done < count; ) {
      const place = joined.places.hashOf(from);
      const keys = [from];
      let next = this.#ledger.nextKey(lane, from);
      for (
        ;
        done + keys.length < count && joined.places.hashOf(next) === place;
        next = this.#ledger.nextKey(lane, next)
      ) {
        keys.push(next);
      }
      this.#readFrom(joined, place, keys, into.subarray(from - key, next - key));
      done += keys.length;
      from = next;
    }
  }

  #readFrom({ lane, places }: Joined, place: number, keys: readonly number[], into: Uint8Array): void {
    const source = this.#sources[place];
    if (!source) return;
    this.#ledger.readSegments(source.stored, source.lane, keys[0]!, keys.length, into);
    for (const key of keys) {
      if (source.lane.table.hashOf(key) >= 0) continue;
      this.lost++;
      // Lost on disk: the same may have come under another number.
      const length = lane.table.lengthOf(key);
      const hash = lane.table.hashOf(key);
      const other = this.#sources.findIndex(
        ({ lane: { table } }) => table.hashOf(key) === hash && table.lengthOf(key) === length,
      );
      if (other >= 0) places.add(key, length, other);
      else lane.table.lose(key);
    }
  }

  #begin(): number {
    const index = this.#joined.length;
    const table = newTable(this.#ledger.segmentation);
    this.#joined.push({ lane: { index, path: `joined.${index}`, table }, places: newTable(this.#ledger.segmentation) });
    return index;
  }
}
