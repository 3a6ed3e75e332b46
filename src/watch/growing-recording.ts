// One recording taken in while it may still grow. Until it is finished, what it proves is shown and not written; the ledger may hold
// what an earlier run wrote of its beginning, which is recognised by its XXH64 and makes room for the whole.
import path from 'node:path';
import type { RecordingError } from '../errors.js';
import { isNameOf } from '../intake/join-parts.js';
import { type Handed, keepReception, receptionOf } from '../ledger/keep-reception.js';
import type { Ledger } from '../ledger/ledger.js';
import type { Reception as HeardReception } from '../ledger/reception-file.js';
import { Reception } from '../segments/receive.js';
import { isEarlierState } from './earlier-state.js';

/** What all recordings of a run have in common. */
export type IntakeBook = {
  readonly ledger: Ledger;
  /** XXH64 of what each finished recording heard: of one that is there as it is, none is the beginning of another. */
  readonly finished: Set<string>;
};

export class GrowingRecording {
  /** Bytes taken in. */
  bytes = 0;
  /** XXH64 of what was written, once it is finished and had frames. */
  xxh64: string | undefined;
  readonly #book: IntakeBook;
  readonly #reception: Reception;
  /** Written receptions that may be of this recording's beginning, the shortest first. */
  readonly #candidates: HeardReception[];
  /** XXH64 of those that are. */
  readonly #beginnings = new Set<string>();
  /** Those that are not, but may be of it without a file that came late. */
  readonly #others: HeardReception[] = [];

  /**
   * @param names what its files are called, or the recording of a capture: without folders
   * @param replaced XXH64 of what was written of this recording when it was another
   */
  constructor(book: IntakeBook, station: string, names: readonly string[], replaced: Iterable<string> = []) {
    const { ledger, finished } = book;
    this.#book = book;
    this.#reception = new Reception(ledger.mission, ledger);
    for (const xxh64 of replaced) {
      finished.delete(xxh64);
      this.#beginnings.add(xxh64);
    }
    this.#candidates = [...ledger.receptions.values()]
      .filter((known) => known.station === station && !finished.has(known.xxh64))
      .filter((known) => names.some((name) => isNameOf(known.name, name)))
      .sort((a, b) => a.bytes - b.bytes);
  }

  /** Takes the next bytes; lent for the call. */
  push(bytes: Uint8Array, hasGapBefore = false): void {
    let hashed = 0;
    const end = this.bytes + bytes.length;
    for (let next = this.#candidates[0]; next && next.bytes <= end; next = this.#candidates[0]) {
      const until = Math.max(hashed, next.bytes - this.bytes);
      this.#reception.hash(bytes.subarray(hashed, until));
      hashed = until;
      if (next.xxh64 === this.#reception.identity()) this.#beginnings.add(next.xxh64);
      else if (!this.#beginnings.has(next.xxh64)) this.#others.push(next);
      this.#candidates.shift();
    }
    this.#reception.hash(bytes.subarray(hashed));
    const { input } = this.#reception;
    if (hasGapBefore) input.gap();
    input.push(bytes, 0, bytes.length, this.bytes, -1);
    this.bytes = end;
  }

  /**
   * What it proved so far, and what of the ledger that stands for; `null` where that is nothing, or where an earlier run may have
   * written more. Holds until the next `push`.
   *
   * @param isAtEnd all of it that is there was taken in
   */
  soFar(handed: Handed, isAtEnd: boolean): { heard: HeardReception; beginnings: ReadonlySet<string> } | null {
    if (this.#candidates.length > 0 && !isAtEnd) return null;
    const taken = this.#reception.result();
    if (taken.recorder.intactFrames + taken.recorder.damagedTotal === 0) return null;
    const { reception } = receptionOf(handed, { ...taken, bytes: this.bytes, problem: undefined });
    return { heard: reception, beginnings: this.#earlierStates(reception) };
  }

  /**
   * Ends it and writes what it heard.
   *
   * @param problem why it could not be read on, if so
   * @returns that, or that it holds no frame of this mission
   */
  finish(handed: Handed, problem?: RecordingError): RecordingError | undefined {
    const { ledger, finished } = this.#book;
    this.#reception.input.end();
    const received = { ...this.#reception.result(), bytes: this.bytes, problem };
    const { xxh64 } = received;
    const { reception } = receptionOf(handed, received);
    const superseded = [...this.#earlierStates(reception)].filter((known) => known !== xxh64 && !finished.has(known));
    const kept = keepReception(handed, received, ledger, superseded);
    ledger.commit();
    if (!ledger.receptions.has(xxh64)) return kept.problem;
    this.xxh64 = xxh64;
    finished.add(xxh64);
    return kept.problem;
  }

  /** XXH64 of what the ledger has of it without its end, or without a file that came late. */
  #earlierStates(whole: HeardReception): ReadonlySet<string> {
    const { ledger, finished } = this.#book;
    const { counterBits } = ledger.segmentation;
    const others = this.#others.filter(
      (known) => !finished.has(known.xxh64) && isEarlierState(known, whole, counterBits),
    );
    return new Set([...this.#beginnings, ...others.map(({ xxh64 }) => xxh64)]);
  }
}

/** Without its folders, as the ledger keeps it. */
export function firstNameOf(name: string): string {
  return path.basename(name);
}
