// Records what comes by the standard file delivery (CCSDS 727.0-B-5): File Data to the store, under the number of their transaction
// and at their offset, and what Metadata and EOF say of the file. A transmission is a PDU; with space packets right below it is a
// packet, named by its sequence count. Without any count transmissions are only numbered as they came.
import type { FileDeliverySink, FileEnd, FileMetadata, Transaction } from '../layers/cfdp.js';
import { transactionFile } from '../mission/segmentation.js';
import { LONG_STEP } from './counter.js';
import { type Delivery, DIRECTIVE_KEY, DIRECTIVES, type SegmentStore } from './run.js';
import { RunRecorder } from './run-recorder.js';

/** Transactions of one recording whose data are kept, and entries of `deliveries`: bounds for crafted input. */
const MAX_TRANSACTIONS = 65536;
/** Width of the count of what has none: it never turns. */
const UNCOUNTED_BITS = 48;
/** So many transactions further on are still believed to be the next heard after a gap, not heard after a turn of the count. */
const NEAR_TRANSACTIONS = 1024;

/** What is known of a transaction in the present stretch. */
type State = {
  readonly file: number;
  readonly source: number;
  readonly sequence: number;
  /** Whether its data are kept: false past the bound. */
  readonly isKept: boolean;
  /** The longest File Data so far. */
  chunk: number;
  stretch: number;
  /** The entry that holds now. */
  delivery: Delivery | undefined;
  /** Where the data since the last Metadata or EOF begin, or began again at an earlier offset. */
  dataFrom: number | undefined;
  beganAgain: boolean;
  offset: number;
};

type Facts = Partial<Pick<Delivery, 'name' | 'bytes' | 'checksumType' | 'checksum'>>;

export class DeliveryRecorder extends RunRecorder implements FileDeliverySink {
  readonly deliveries: Delivery[] = [];
  readonly #store: SegmentStore;
  /** Of the packet sequence count; 0 = there is none. */
  readonly #counterModulus: number;
  readonly #transactions = new Map<number, State>();
  /** Count of the present unit, its parts, and whether something intact of it came already. */
  #raw = 0;
  #parts = 1;
  #inUnit = false;
  /** The last PDU: its transaction, its place in it, its count. */
  #last: State | undefined;
  #lastOrdinal = 0;
  #lastRaw = 0;
  #chunk = 1;

  /** @param counterBits width of the count of the layer below; 0 where there is none */
  constructor(counterBits: number, store: SegmentStore) {
    super(counterBits || UNCOUNTED_BITS);
    this.#store = store;
    this.#counterModulus = counterBits > 0 ? 2 ** counterBits : 0;
  }

  sequence(count: number, parts: number): void {
    if (this.#counterModulus === 0) return;
    this.#raw = count;
    this.#parts = parts;
    this.#inUnit = false;
  }

  fileData(transaction: Transaction, offset: number, bytes: Uint8Array, start: number, end: number, at: number): void {
    const state = this.#stateOf(transaction);
    const length = end - start;
    state.chunk = Math.max(state.chunk, length);
    this.#chunk = state.chunk;
    const lane = state.isKept ? this.#store.store(state.file, 0, offset, bytes, start, length) : -1;
    this.#note(state, 1 + Math.floor(offset / state.chunk), 0, offset, state.chunk, lane, at);
    const isBack = state.dataFrom !== undefined && offset <= state.offset;
    if (state.dataFrom === undefined || isBack) state.dataFrom = this.counter;
    state.beganAgain ||= isBack;
    state.offset = offset;
  }

  metadata(transaction: Transaction, metadata: FileMetadata): void {
    const state = this.#stateOf(transaction);
    this.#note(state, 0, DIRECTIVES, DIRECTIVE_KEY.metadata, 1, -1, metadata.at);
    const { name, checksumType } = metadata;
    this.#learn(state, { name, checksumType, ...(metadata.bytes > 0 && { bytes: metadata.bytes }) }, this.counter);
  }

  eof(transaction: Transaction, { condition, checksum, bytes, at }: FileEnd): void {
    const state = this.#stateOf(transaction);
    const ordinal = 1 + Math.ceil(bytes / (state.chunk || this.#chunk));
    this.#note(state, ordinal, DIRECTIVES, DIRECTIVE_KEY.eof, 1, -1, at);
    // Data that only began after the last EOF, or began again after Metadata, are what this EOF speaks of.
    const from = state.delivery?.checksum != null || state.beganAgain ? state.dataFrom : undefined;
    if (condition === 0) this.#learn(state, { checksum, bytes }, from ?? this.counter);
    else this.#learn(state, {}, this.counter).condition = condition;
  }

  other(transaction: Transaction, at: number): void {
    const state = this.#stateOf(transaction);
    this.#note(state, this.#lastOrdinal + 1, DIRECTIVES, DIRECTIVE_KEY.other, 1, -1, at);
  }

  damaged(bytes: Uint8Array, start: number, end: number, at: number): void {
    if (this.#counterModulus === 0) this.#raw++;
    this.keepDamaged(bytes, start, end, at, this.#inUnit || this.#counterModulus === 0 ? -1 : this.#raw);
  }

  #stateOf({ source, sequence }: Transaction): State {
    const last = this.#last;
    if (last && last.source === source && last.sequence === sequence) return last;
    const file = transactionFile(source, sequence);
    let state = this.#transactions.get(file);
    if (!state) {
      state = {
        file,
        source,
        sequence,
        isKept: this.#transactions.size < MAX_TRANSACTIONS,
        chunk: 0,
        stretch: -1,
        delivery: undefined,
        dataFrom: undefined,
        beganAgain: false,
        offset: 0,
      };
      if (state.isKept) this.#transactions.set(file, state);
    }
    return state;
  }

  /** The next intact PDU. `ordinal` = its place among the transaction's PDUs. */
  #note(state: State, ordinal: number, segments: number, key: number, step: number, lane: number, at: number): void {
    const { file } = state;
    if (this.#counterModulus === 0) {
      this.keep(this.#raw++, ordinal, file, segments, key, step, lane, at);
    } else if (this.#inUnit) {
      this.keepBeside(file, segments, key, step, lane, at);
    } else {
      this.keep(this.#raw, ordinal, file, segments, key, step, lane, at, this.#follows(state, ordinal));
      this.#lastRaw = this.#raw;
      for (let part = 1; part < this.#parts; part++) {
        this.#lastRaw = (this.#raw + part) % this.#counterModulus;
        this.keepPart(this.#lastRaw, file, DIRECTIVES, DIRECTIVE_KEY.other, at);
      }
      this.#inUnit = true;
    }
    this.#last = state;
    this.#lastOrdinal = ordinal;
    if (state.stretch === this.stretch) return;
    // After a break the number may stand for another file.
    state.stretch = this.stretch;
    state.delivery = undefined;
    state.dataFrom = undefined;
    state.beganAgain = false;
  }

  /**
   * Whether a step of the count is that of a gap, and no turn of it passed unheard: the transaction goes on, or one soon after it,
   * and the count leaves room for what must have been sent between.
   */
  #follows(state: State, ordinal: number): boolean {
    const last = this.#last;
    if (!last) return false;
    const step = (this.#raw - this.#lastRaw + this.#counterModulus) % this.#counterModulus;
    const ahead = state.source === last.source ? state.sequence - last.sequence : -1;
    const between = ahead === 0 ? ordinal - this.#lastOrdinal : ahead + ordinal;
    return step > 0 && step < LONG_STEP && ahead >= 0 && ahead < NEAR_TRANSACTIONS && between > 0 && between <= step;
  }

  /**
   * Adds to what is known of the transaction's file, or begins anew from counter `from` on where the two contradict each other:
   * after a reboot sequence numbers begin again.
   */
  #learn(state: State, facts: Facts, from: number): Delivery {
    const known = state.delivery;
    state.dataFrom = undefined;
    state.beganAgain = false;
    if (known && agrees(known, facts)) return Object.assign(known, facts);
    const { file, source, sequence, stretch } = state;
    const unknown = { name: null, bytes: null, checksumType: null, checksum: null, condition: 0 };
    // What came before in this stretch, nothing else being said of it, is of the same file.
    const counter = known ? from : 0;
    const delivery: Delivery = { file, source, sequence, stretch, counter, ...unknown, ...facts };
    if (this.deliveries.length < MAX_TRANSACTIONS) this.deliveries.push(delivery);
    state.delivery = delivery;
    return delivery;
  }
}

function agrees(known: Delivery, facts: Facts): boolean {
  return (['name', 'bytes', 'checksumType', 'checksum'] as const).every(
    (fact) => known[fact] === null || facts[fact] === undefined || known[fact] === facts[fact],
  );
}
