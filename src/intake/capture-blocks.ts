// Payloads of many datagrams gathered into blocks: of the size asked for, begun anew where bytes were lost, and at least every second
// of capture time.
import type { PayloadSink } from './rtp-receiver.js';
import type { Block } from './source.js';

const SPAN_MS = 1000;

type Piece = { readonly start: number; readonly gap: boolean; readonly time: number };

export class BlockGatherer implements PayloadSink {
  readonly #blockBytes: number;
  #bytes = Buffer.allocUnsafe(1 << 16);
  #end = 0;
  #pieces: Piece[] = [];
  #gap = false;
  /** Bytes of the flow handed out before `#bytes[0]`. */
  #at = 0;

  constructor(blockBytes: number) {
    this.#blockBytes = blockBytes;
  }

  payload(bytes: Uint8Array, start: number, end: number, time: number): void {
    const size = end - start;
    const latest = this.#pieces.at(-1);
    const isFull = latest !== undefined && this.#end - latest.start + size > this.#blockBytes;
    // Where the time is not known, neither comparison holds.
    if (!latest || this.#gap || isFull || Math.abs(time - latest.time) >= SPAN_MS) {
      this.#pieces.push({ start: this.#end, gap: this.#gap, time });
      this.#gap = false;
    }
    if (this.#end + size > this.#bytes.length) {
      const larger = Buffer.allocUnsafe(2 * (this.#end + size));
      larger.set(this.#bytes.subarray(0, this.#end));
      this.#bytes = larger;
    }
    this.#bytes.set(bytes.subarray(start, end), this.#end);
    this.#end += size;
  }

  gap(): void {
    this.#gap = true;
  }

  /**
   * The blocks that are complete: all but the last one, or all when `final`. Each holds until the next is asked for; nothing may be
   * added before all have been taken.
   */
  *take(final: boolean): Generator<Block, void, undefined> {
    const pieces = this.#pieces;
    const kept = final ? undefined : pieces.at(-1);
    const until = kept?.start ?? this.#end;
    for (const [i, { start, gap, time }] of pieces.entries()) {
      if (start >= until) break;
      const end = pieces[i + 1]?.start ?? this.#end;
      for (let from = start; from < end; from += this.#blockBytes) {
        const bytes = this.#bytes.subarray(from, Math.min(end, from + this.#blockBytes));
        const isFirst = from === start;
        yield {
          bytes,
          at: this.#at + from,
          ...(gap && isFirst && { gap }),
          ...(!Number.isNaN(time) && { receivedAt: time }),
        };
      }
    }
    this.#bytes.copyWithin(0, until, this.#end);
    this.#at += until;
    this.#end -= until;
    this.#pieces = kept ? [{ ...kept, start: 0 }] : [];
  }
}
