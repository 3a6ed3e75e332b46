// Joins the packets into which a longer unit was cut (CCSDS 133.0-B, sequence flags first, continuation and last), for each APID
// on its own, while their sequence counts follow each other.
import { RollingBuffer } from '../bytes/rolling-buffer.js';
import { SEQUENCE_FLAGS } from './packets-header.js';

/** Units open at once, at most, each of its own APID; the one begun first gives way. */
const MAX_OPEN = 16;
/** 2 to the 14th: sequence counts wrap here. */
export const SEQUENCE_MODULUS = 16384;

/** `count` = the sequence count of its first part. */
type OpenUnit = { readonly bytes: RollingBuffer; at: number; readonly count: number; nextCount: number };

/** Takes the parts in the order received; a unit that misses one is dropped and counted, with all its parts. */
export class SegmentJoiner {
  readonly #limit: number;
  readonly #onLoss: () => void;
  readonly #open = new Map<number, OpenUnit>();
  /** Buffers of units that are done, to be used again. */
  readonly #spare: RollingBuffer[] = [];
  readonly counts: { joined: number; unitsIncomplete: number; partsAlone: number; unitsTooLong: number } = {
    joined: 0,
    unitsIncomplete: 0,
    partsAlone: 0,
    unitsTooLong: 0,
  };

  /**
   * @param limit bytes of the longest unit kept; memory stays below about `2 * MAX_OPEN` times as much
   * @param onLoss called for each part or unit that cannot be handed on
   */
  constructor(limit: number, onLoss: () => void) {
    this.#limit = limit;
    this.#onLoss = onLoss;
  }

  /**
   * Takes the part in `bytes[start, end)`, which is copied.
   *
   * @returns the unit that it completes, lent until the next call; else `undefined`
   */
  take(
    apid: number,
    flags: number,
    count: number,
    bytes: Uint8Array,
    start: number,
    end: number,
    at: number,
  ): OpenUnit | undefined {
    if (flags === SEQUENCE_FLAGS.first) {
      this.drop(apid);
      this.#begin(apid, at, count);
    }
    const unit = this.#open.get(apid);
    if (!unit) return this.#lose('partsAlone');
    const ahead = (count - unit.nextCount + SEQUENCE_MODULUS) % SEQUENCE_MODULUS;
    if (ahead >= SEQUENCE_MODULUS / 2) return undefined; // a part seen before, recorded twice
    if (ahead > 0) {
      this.drop(apid);
      return this.#lose('partsAlone');
    }
    if (unit.bytes.length + end - start > this.#limit) {
      this.#close(apid);
      return this.#lose('unitsTooLong');
    }
    unit.bytes.append(bytes, start, end);
    unit.nextCount = (count + 1) % SEQUENCE_MODULUS;
    if (flags !== SEQUENCE_FLAGS.last) return undefined;
    this.#close(apid);
    this.counts.joined++;
    return unit;
  }

  /** Gives up the unit of `apid` that is open, if one is: another begins, or a part of it is known to be damaged. */
  drop(apid: number): void {
    if (this.#close(apid)) this.#lose('unitsIncomplete');
  }

  /** No more parts come. */
  dropAll(): void {
    for (const apid of [...this.#open.keys()]) this.drop(apid);
  }

  #begin(apid: number, at: number, count: number): void {
    if (this.#open.size >= MAX_OPEN) this.drop(this.#open.keys().next().value!);
    const bytes = this.#spare.pop() ?? new RollingBuffer();
    bytes.clear();
    this.#open.set(apid, { bytes, at, count, nextCount: count });
  }

  #lose(why: 'partsAlone' | 'unitsIncomplete' | 'unitsTooLong'): undefined {
    this.counts[why]++;
    this.#onLoss();
  }

  #close(apid: number): boolean {
    const unit = this.#open.get(apid);
    if (unit) this.#spare.push(unit.bytes);
    return this.#open.delete(apid);
  }
}
