// Which segments of one content of one file are there, with a hash of each payload: in memory, rebuilt from the journal.
// A segment that the disk lost keeps its place: the receptions that name this content stay true, and only the same content fills it.
import { lengthInRun, type SegmentRun } from '../segments/run.js';

/** What is known of one segment. */
export type SegmentContent = { readonly key: number; readonly length: number; readonly hash: number };

export interface SegmentTable {
  /** The low 32 bits of the payload's XXH64, or -1 where the segment is not there. */
  hashOf(key: number): number;
  /** The same of `count` segments that follow each other, all there, for who can tell many at once; `undefined`: ask of each. */
  hashesOf?(key: number, count: number): Uint32Array | undefined;
  /** Payload bytes, 0 where the segment is not there. */
  lengthOf(key: number): number;
  /** Whether the place of `key` is for just this content, be it there or lost. */
  isFor(key: number, length: number, hash: number): boolean;
  /** Whether no content has the place of `key`; where payloads are of any length, of all `length` bytes (default 1) from there on. */
  isFree(key: number, length?: number): boolean;
  add(key: number, length: number, hash: number): void;
  /** How many of a run's segments, from the one numbered `from` on, are there with just these contents; 0 may mean: ask of each. */
  sameInRun?(run: SegmentRun, from: number): number;
  /** The same of places that no content has. */
  freeInRun?(run: SegmentRun, from: number): number;
  /** Adds `count` segments of a run, from the one numbered `from` on, whose places `freeInRun` found free. */
  addRun?(run: SegmentRun, from: number, count: number): void;
  /** The content is no longer there; it keeps its place. */
  lose(key: number): void;
  /** Number of segments there. */
  readonly size: number;
  /** Bytes of a segment that is not cut short by the file's end; where it is not the same for all, the longest so far. */
  readonly fullLength: number;
  /** What is there, as half-open ranges of segment numbers or of bytes. */
  ranges(): number[];
  /** Every segment there, by rising key; `lose` may be called meanwhile. */
  keys(): Iterable<number>;
  /** What was lost, by rising key. */
  lost(): Iterable<SegmentContent>;
}

const PAGE = 4096;
const FREE = 0;
const THERE = 1;
const LOST = 2;

type Page = { readonly states: Uint8Array; readonly hashes: Uint32Array };

/** Segments named by number: pages of 4,096, so that a false segment number costs one page and not the whole range. */
export class NumberedTable implements SegmentTable {
  readonly #payloadSize: number;
  readonly #pages = new Map<number, Page>();
  /** The page asked for last: the next segment is most often on it, too. */
  #lastNumber = -1;
  #lastPage: Page | undefined;
  /** Segments shorter than the payload size: the last one of a file. */
  readonly #short = new Map<number, number>();
  #size = 0;

  constructor(payloadSize: number) {
    this.#payloadSize = payloadSize;
  }

  get size(): number {
    return this.#size;
  }

  get fullLength(): number {
    return this.#payloadSize;
  }

  hashOf(key: number): number {
    const page = this.#pageOf(key);
    const slot = key % PAGE;
    return page && page.states[slot] === THERE ? page.hashes[slot]! : -1;
  }

  hashesOf(key: number, count: number): Uint32Array {
    const hashes = new Uint32Array(count);
    for (let done = 0; done < count; ) {
      const slot = (key + done) % PAGE;
      const end = Math.min(PAGE, slot + count - done);
      hashes.set(this.#pageOf(key + done)!.hashes.subarray(slot, end), done);
      done += end - slot;
    }
    return hashes;
  }

  lengthOf(key: number): number {
    return this.hashOf(key) < 0 ? 0 : this.#fullLength(key);
  }

  isFor(key: number, length: number, hash: number): boolean {
    const page = this.#pageOf(key);
    const slot = key % PAGE;
    return (
      page !== undefined && page.states[slot] !== FREE && page.hashes[slot] === hash && this.#fullLength(key) === length
    );
  }

  isFree(key: number): boolean {
    return (this.#pageOf(key)?.states[key % PAGE] ?? FREE) === FREE;
  }

  add(key: number, length: number, hash: number): void {
    const page = this.#pageOf(key) ?? this.#newPage(key);
    const slot = key % PAGE;
    if (page.states[slot] !== THERE) this.#size++;
    page.states[slot] = THERE;
    page.hashes[slot] = hash;
    if (length !== this.#payloadSize) this.#short.set(key, length);
    else if (this.#short.size > 0) this.#short.delete(key);
  }

  /** @param key of the segment numbered `from`, as this table has it */
  sameInRun(run: SegmentRun, from: number, key: number = run.key + from): number {
    const page = this.#pageOf(key);
    if (!page) return 0;
    const { states, hashes } = page;
    const first = key % PAGE;
    const most = Math.min(run.count - from, PAGE - first);
    for (let i = 0; i < most; i++) {
      const isSame = states[first + i] === THERE && hashes[first + i] === run.hashes[run.hashAt + from + i];
      if (!isSame || this.#fullLength(key + i) !== lengthInRun(run, from + i)) return i;
    }
    return most;
  }

  freeInRun(run: SegmentRun, from: number, key: number = run.key + from): number {
    const first = key % PAGE;
    const most = Math.min(run.count - from, PAGE - first);
    const states = this.#pageOf(key)?.states;
    if (!states) return most;
    for (let i = 0; i < most; i++) if (states[first + i] !== FREE) return i;
    return most;
  }

  addRun(run: SegmentRun, from: number, count: number, key: number = run.key + from): void {
    const { states, hashes } = this.#pageOf(key) ?? this.#newPage(key);
    const first = key % PAGE;
    for (let i = 0; i < count; i++) {
      states[first + i] = THERE;
      hashes[first + i] = run.hashes[run.hashAt + from + i]!;
    }
    this.#size += count;
    const lastLength = lengthInRun(run, from + count - 1);
    if (lastLength !== this.#payloadSize) this.#short.set(key + count - 1, lastLength);
  }

  lose(key: number): void {
    const page = this.#pageOf(key);
    if (!page || page.states[key % PAGE] !== THERE) return;
    page.states[key % PAGE] = LOST;
    this.#size--;
  }

  keys(): Iterable<number> {
    return this.#keysIn(THERE);
  }

  *lost(): Iterable<SegmentContent> {
    for (const key of this.#keysIn(LOST)) {
      yield { key, length: this.#fullLength(key), hash: this.#pages.get(Math.floor(key / PAGE))!.hashes[key % PAGE]! };
    }
  }

  ranges(): number[] {
    const ranges: number[] = [];
    for (const key of this.keys()) extend(ranges, key, key + 1);
    return ranges;
  }

  *#keysIn(state: number): Iterable<number> {
    for (const number of [...this.#pages.keys()].sort((a, b) => a - b)) {
      const { states } = this.#pages.get(number)!;
      for (let slot = states.indexOf(state); slot >= 0; slot = states.indexOf(state, slot + 1))
        yield number * PAGE + slot;
    }
  }

  #pageOf(key: number): Page | undefined {
    const number = Math.floor(key / PAGE);
    if (number !== this.#lastNumber) {
      this.#lastNumber = number;
      this.#lastPage = this.#pages.get(number);
    }
    return this.#lastPage;
  }

  #newPage(key: number): Page {
    const page = { states: new Uint8Array(PAGE), hashes: new Uint32Array(PAGE) };
    const number = Math.floor(key / PAGE);
    this.#pages.set(number, page);
    this.#lastNumber = number;
    this.#lastPage = page;
    return page;
  }

  #fullLength(key: number): number {
    if (this.#short.size === 0) return this.#payloadSize;
    return this.#short.get(key) ?? this.#payloadSize;
  }
}

/** Segments named by byte offset: those at whole multiples of the payload size, as nearly all are, take no more than numbered ones. */
export class OffsetTable implements SegmentTable {
  readonly #payloadSize: number;
  readonly #aligned: NumberedTable;
  readonly #others = new Map<number, SegmentContent & { there: boolean }>();
  #othersThere = 0;

  constructor(payloadSize: number) {
    this.#payloadSize = payloadSize;
    this.#aligned = new NumberedTable(payloadSize);
  }

  get size(): number {
    return this.#aligned.size + this.#othersThere;
  }

  get fullLength(): number {
    return this.#payloadSize;
  }

  hashOf(key: number): number {
    if (this.#isAligned(key)) return this.#aligned.hashOf(key / this.#payloadSize);
    const other = this.#others.get(key);
    return other?.there ? other.hash : -1;
  }

  hashesOf(key: number, count: number): Uint32Array | undefined {
    return this.#isAligned(key) ? this.#aligned.hashesOf(key / this.#payloadSize, count) : undefined;
  }

  lengthOf(key: number): number {
    if (this.#isAligned(key)) return this.#aligned.lengthOf(key / this.#payloadSize);
    const other = this.#others.get(key);
    return other?.there ? other.length : 0;
  }

  isFor(key: number, length: number, hash: number): boolean {
    if (this.#isAligned(key)) return this.#aligned.isFor(key / this.#payloadSize, length, hash);
    const other = this.#others.get(key);
    return other?.length === length && other.hash === hash;
  }

  isFree(key: number): boolean {
    return this.#isAligned(key) ? this.#aligned.isFree(key / this.#payloadSize) : !this.#others.has(key);
  }

  add(key: number, length: number, hash: number): void {
    if (this.#isAligned(key)) {
      this.#aligned.add(key / this.#payloadSize, length, hash);
      return;
    }
    if (!this.#others.get(key)?.there) this.#othersThere++;
    this.#others.set(key, { key, length, hash, there: true });
  }

  sameInRun(run: SegmentRun, from: number): number {
    const key = this.#numberIn(run, from);
    return key < 0 ? 0 : this.#aligned.sameInRun(run, from, key);
  }

  freeInRun(run: SegmentRun, from: number): number {
    const key = this.#numberIn(run, from);
    return key < 0 ? 0 : this.#aligned.freeInRun(run, from, key);
  }

  addRun(run: SegmentRun, from: number, count: number): void {
    this.#aligned.addRun(run, from, count, this.#numberIn(run, from));
  }

  lose(key: number): void {
    if (this.#isAligned(key)) {
      this.#aligned.lose(key / this.#payloadSize);
      return;
    }
    const other = this.#others.get(key);
    if (!other?.there) return;
    other.there = false;
    this.#othersThere--;
  }

  *keys(): Iterable<number> {
    const others = this.#othersWhere(true);
    let next = 0;
    for (const number of this.#aligned.keys()) {
      const key = number * this.#payloadSize;
      for (; next < others.length && others[next]!.key < key; next++) yield others[next]!.key;
      yield key;
    }
    for (; next < others.length; next++) yield others[next]!.key;
  }

  *lost(): Iterable<SegmentContent> {
    const aligned = [...this.#aligned.lost()].map((content) => ({ ...content, key: content.key * this.#payloadSize }));
    yield* [...aligned, ...this.#othersWhere(false)].sort((a, b) => a.key - b.key);
  }

  ranges(): number[] {
    const ranges: number[] = [];
    for (const key of this.keys()) extend(ranges, key, key + this.lengthOf(key));
    return ranges;
  }

  /** The number of a run's segment among those at whole multiples, -1 where the run is not of these. */
  #numberIn({ key, step }: SegmentRun, index: number): number {
    return step === this.#payloadSize && this.#isAligned(key) ? key / step + index : -1;
  }

  #isAligned(key: number): boolean {
    return key % this.#payloadSize === 0;
  }

  #othersWhere(there: boolean): SegmentContent[] {
    return [...this.#others.values()].filter((other) => other.there === there).sort((a, b) => a.key - b.key);
  }
}

/** Adds `[start, end)` to sorted ranges; no start is below the one before. */
function extend(ranges: number[], start: number, end: number): void {
  const last = ranges.length - 1;
  if (end <= start) return;
  if (last > 0 && start <= ranges[last]!) ranges[last] = Math.max(ranges[last]!, end);
  else ranges.push(start, end);
}
