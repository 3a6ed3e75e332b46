// Makes durable what the ledger was given, in this order: the payloads, then the journal's entries that speak of them. While more
// comes in this is done step by step in the background; a commit brings it to its end. Killed anywhere, what the journal says is on
// disk, and at most its last step is torn.
import type { Journal, JournalEntry } from './journal.js';
import type { LaneFiles } from './lane-files.js';

export const STEP_BYTES: number = 4 << 20;
/** Steps that the disk may be behind, before it is waited for. */
const MOST_STEPS = 64;
/** A step is looked after so often while its bytes come in. */
const LOOKS = 16;

export class Commits {
  readonly #data: LaneFiles;
  readonly #journal: Journal;
  readonly #stepBytes: number;
  /** Entries of payloads that are written, but not known to be durable. */
  #entries: JournalEntry[] = [];
  /** The step under way: its payloads are being written out, or then its entries. */
  #step:
    | { readonly entries: readonly JournalEntry[]; readonly afterwards: readonly (() => void)[]; isWritten: boolean }
    | undefined;
  /** To be done when everything added so far is durable. */
  #afterwards: (() => void)[] = [];
  #bytes = 0;
  #unlookedBytes = 0;

  /** @param stepBytes payload bytes of one step */
  constructor(data: LaneFiles, journal: Journal, stepBytes: number) {
    this.#data = data;
    this.#journal = journal;
    this.#stepBytes = stepBytes;
  }

  /** Takes an entry of what was written already. */
  add(entry: JournalEntry): void {
    this.#entries.push(entry);
  }

  /** Does something once everything added so far is durable: now, if it is, and on `finish` at the latest. */
  whenDurable(act: () => void): void {
    this.#goOn();
    if (!this.#step && this.#entries.length === 0) {
      act();
      return;
    }
    this.#afterwards.push(act);
    if (!this.#step) this.#begin();
  }

  /**
   * Told of new payload bytes.
   *
   * @param settle called before a step, to `add` what is held back
   */
  wrote(bytes: number, settle: () => void): void {
    this.#bytes += bytes;
    this.#unlookedBytes += bytes;
    if (this.#unlookedBytes * LOOKS < this.#stepBytes) return;
    this.#unlookedBytes = 0;
    this.#goOn();
    // What waits to be done is not to wait for more bytes.
    if (this.#bytes < this.#stepBytes && this.#afterwards.length === 0) return;
    if (!this.#step) {
      settle();
      this.#begin();
    } else if (this.#bytes >= MOST_STEPS * this.#stepBytes) {
      settle();
      this.finish();
    }
  }

  /** All that was added is durable when this returns. */
  finish(): void {
    this.#data.sync();
    const before = this.#step;
    if (before && !before.isWritten) this.#journal.append(before.entries);
    this.#journal.append(this.#entries);
    this.#journal.sync();
    const acts = [...(before?.afterwards ?? []), ...this.#afterwards];
    this.#step = undefined;
    this.#entries = [];
    this.#afterwards = [];
    this.#bytes = 0;
    for (const act of acts) act();
  }

  #begin(): void {
    this.#step = { entries: this.#entries, afterwards: this.#afterwards, isWritten: false };
    this.#entries = [];
    this.#afterwards = [];
    this.#bytes = 0;
    this.#data.startSync();
  }

  #goOn(): void {
    const step = this.#step;
    if (step && !step.isWritten && this.#data.isSynced()) {
      this.#journal.append(step.entries);
      this.#journal.startSync();
      step.isWritten = true;
    } else if (step?.isWritten && this.#journal.isSynced()) {
      this.#step = undefined;
      for (const act of step.afterwards) act();
    }
  }
}
