// Transport stream packets in a byte stream (ISO/IEC 13818-1; packet sizes by common practice): finds the sync bytes by their
// period, 188 bytes, 204 with the Reed-Solomon bytes kept, or 192 with a time stamp before each packet, and resynchronises.
import { LocatedBuffer } from './located-buffer.js';
import { PACKET_BYTES, type PacketSink, pidAt, SYNC_BYTE } from './ts-packet.js';

const PERIODS = [188, 204, 192] as const;
/** So many sync places behind a packet decide: whether the grid holds, and whether a packet starts where one is searched. */
const WITNESSES = 5;
/** Of those, so many must hold a sync byte: on the grid, in a search. One in ten packets may be noise. */
const NEEDED = { onGrid: 2, search: 3 } as const;
const LONGEST_PERIOD = 204;
/** Bytes that must be there behind a place, and before anything is decided, so that it does not matter how the stream was cut. */
const SIGHT_BYTES = (WITNESSES + 1) * LONGEST_PERIOD;
const LOOKAHEAD_BYTES = SIGHT_BYTES + LONGEST_PERIOD;

/** On the grid (`#onGrid`: a packet is due at the buffer's start), or searching. Holds about 3 KB beside the block pushed. */
export class TsSync {
  readonly #sink: PacketSink;
  readonly #buffer = new LocatedBuffer();
  #onGrid = false;
  /** Bytes from one sync byte to the next; 0 while not known. */
  period: number;
  /** While searching: bytes from the buffer's start to where the search goes on. What is before may still be rewound to. */
  #searched = 0;
  packets = 0;
  skippedBytes = 0;

  constructor(sink: PacketSink, period = 0) {
    this.#sink = sink;
    this.period = period;
  }

  push(buffer: Uint8Array, start: number, end: number, at: number): void {
    this.#buffer.take(buffer, start, end, at);
    this.#process(false);
  }

  /** What came before is read to its end, and the search begins anew. */
  gap(): void {
    this.#process(true);
  }

  end(): void {
    this.#process(true);
  }

  #process(final: boolean): void {
    const buffer = this.#buffer;
    while (this.#onGrid ? this.#follow(final) : this.#search(final));
    if (!final) return;
    this.#skipTo(buffer.end);
    buffer.clear();
    this.#onGrid = false;
    this.#searched = 0;
  }

  #follow(final: boolean): boolean {
    const { bytes, start, end, length } = this.#buffer;
    if (length < (final ? PACKET_BYTES : LOOKAHEAD_BYTES)) return false;
    const isSync = bytes[start] === SYNC_BYTE;
    const due = Math.min(WITNESSES, Math.ceil(length / this.period) - 1);
    const witnesses = this.#witnesses(start, this.period);
    const onward = Math.min(end, start + this.period);
    if (witnesses >= Math.min(NEEDED.onGrid, due) && (due > 0 || isSync)) {
      this.#emit(start, isSync);
      this.#buffer.start = onward;
      return true;
    }
    // Bytes were lost here, or came between, or much is damaged: another packet may start inside this one. It is no reason to drop
    // this one, for a sync byte value in a payload looks the same; but between two sync bytes it must have one behind it as well.
    const goesOn = onward < end && bytes[onward] === SYNC_BYTE;
    const next = this.#find(start + 1, final);
    const leaves = next >= 0 && (!isSync || !goesOn || bytes[next + this.period] === SYNC_BYTE);
    if (isSync) this.#emit(start, goesOn || due === 0);
    if (isSync) this.#buffer.start = leaves ? Math.min(next, start + PACKET_BYTES) : onward;
    if (leaves) this.#skipTo(next);
    else if (!isSync && witnesses > 0) this.#skipTo(onward);
    else if (!isSync) {
      this.#skipTo(start + 1);
      this.#onGrid = false;
      this.#searched = 0;
    }
    return true;
  }

  #search(final: boolean): boolean {
    const buffer = this.#buffer;
    const { bytes, start, end } = buffer;
    const last = end - (final ? PACKET_BYTES : LOOKAHEAD_BYTES);
    let resume = start + this.#searched;
    while (resume <= last) {
      const at = bytes.indexOf(SYNC_BYTE, resume);
      if (at < 0 || at > last) break;
      const found = this.#find(at, final);
      if (found >= 0) {
        this.#skipTo(this.#rewind(found));
        this.#onGrid = true;
        return true;
      }
      resume = at + this.#span();
    }
    const from = Math.min(end, Math.max(last + 1, resume));
    const back = WITNESSES * LONGEST_PERIOD;
    this.#skipTo(Math.max(start, from - back));
    this.#searched = from - buffer.start;
    return false;
  }

  /** Bytes in which a packet must start. */
  #span(): number {
    return this.period || LONGEST_PERIOD;
  }

  /**
   * The best place for a packet to start in one period from `from` on, -1 when there is none; sets the period. Payloads repeat
   * with the packets, so a sync byte value in them has the same period: the headers that follow one another best decide.
   */
  #find(from: number, final: boolean): number {
    const { bytes, end } = this.#buffer;
    const last = Math.min(from + this.#span() - 1, end - (final ? PACKET_BYTES : SIGHT_BYTES));
    const periods = this.period === 0 ? PERIODS : [this.period];
    let best = -1;
    let bestScore = -1;
    let bestPeriod = 0;
    for (let at = bytes.indexOf(SYNC_BYTE, from); at >= 0 && at <= last; at = bytes.indexOf(SYNC_BYTE, at + 1)) {
      for (const period of periods) {
        if (!this.#isTrusted(at, period)) continue;
        const score = this.#score(at, period);
        if (score <= bestScore) continue;
        best = at;
        bestScore = score;
        bestPeriod = period;
      }
    }
    if (best >= 0) this.period = bestPeriod;
    return best;
  }

  /** Enough sync bytes behind it; where the bytes end before that, all of them, and the end must be a packet's. */
  #isTrusted(at: number, period: number): boolean {
    const left = this.#buffer.end - at;
    const due = Math.min(WITNESSES, Math.ceil(left / period) - 1);
    if (this.#witnesses(at, period) < Math.min(NEEDED.search, due)) return false;
    return due >= NEEDED.search || left % period === 0 || left % period === PACKET_BYTES;
  }

  #witnesses(at: number, period: number): number {
    const { bytes, end } = this.#buffer;
    let found = 0;
    for (let n = 1, place = at + period; n <= WITNESSES && place < end; n++, place += period) {
      if (bytes[place] === SYNC_BYTE) found++;
    }
    return found;
  }

  /** How well the headers follow one another: possible fields, one PID, counting on. */
  #score(at: number, period: number): number {
    const { bytes, end } = this.#buffer;
    let score = 0;
    for (let n = 0, place = at; n <= WITNESSES && place + 4 <= end; n++, place += period) {
      if ((bytes[place + 1]! & 0x80) === 0 && (bytes[place + 3]! & 0xf0) === 0x10) score++;
      if (n === 0 || pidAt(bytes, place) !== pidAt(bytes, place - period)) continue;
      if (((bytes[place + 3]! - bytes[place + 3 - period]!) & 15) === 1) score += 2;
    }
    return score;
  }

  /**
   * Packets before the one found, which the damage around them kept from being found: back to the first good sync byte among five
   * places. One that stands farther back, as at the start of a recording with most packets damaged, is lost.
   */
  #rewind(found: number): number {
    const { bytes, start } = this.#buffer;
    let first = found;
    for (let n = 1, place = found - this.period; n <= WITNESSES && place >= start; n++, place -= this.period) {
      if (bytes[place] === SYNC_BYTE) first = place;
    }
    return first;
  }

  #emit(start: number, sound: boolean): void {
    this.packets++;
    this.#sink.packet(this.#buffer, start, sound);
  }

  #skipTo(index: number): void {
    this.skippedBytes += index - this.#buffer.start;
    this.#buffer.start = index;
  }
}
