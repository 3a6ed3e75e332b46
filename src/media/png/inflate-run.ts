// Inflates a run of a deflate stream (RFC 1951) of which other parts are lost: from a block's beginning, or from inside a block whose
// codes are known. What a copy refers to is the sink's affair: it may be lost.
import { type BlockCodes, peekBits, readBlockHeader } from './deflate-block.js';

export interface InflateSink {
  /** Bytes so far. */
  readonly length: number;
  literal(value: number): void;
  copy(length: number, distance: number): void;
}

export type InflatedRun = {
  /** Why it ended: the run did, the stream did, or what follows is no deflate. */
  readonly end: 'run' | 'stream' | 'broken';
  /** Codes of the block in which the run ended; `null` between two blocks or in stored bytes. */
  readonly codes: BlockCodes | null;
  /** Where the header of that block begins; `null` where the run began in it. */
  readonly block: number | null;
  /** That block is the last one. */
  readonly last: boolean;
  /** Behind the last symbol. */
  readonly bit: number;
  /** A block ended where another one begins beyond doubt, or the stream ends with its check value. */
  readonly proven: boolean;
};

const lengthExtra = [0, 0, 0, 0, 0, 0, 0, 0, 1, 1, 1, 1, 2, 2, 2, 2, 3, 3, 3, 3, 4, 4, 4, 4, 5, 5, 5, 5, 0];
const lengthBase: readonly number[] = lengthExtra.map((_, i) =>
  i === 28 ? 258 : lengthExtra.slice(0, i).reduce((sum, extra) => sum + (1 << extra), 3),
);

/**
 * @param data the stream; behind `endBit` anything
 * @param codes of the block that goes on at `bit`; `null` where a block begins there
 * @param last that block is the last one
 * @param most the run is broken where it gives more bytes
 */
export function inflateRun(
  data: Uint8Array,
  bit: number,
  endBit: number,
  codes: BlockCodes | null,
  last: boolean,
  sink: InflateSink,
  most: number,
  onSymbol: ((bit: number) => boolean) | null = null,
): InflatedRun {
  let proven = false;
  let open = codes;
  let isLast = last;
  let at = bit;
  let block: number | null = null;
  const ended = (end: InflatedRun['end']): InflatedRun => ({ end, codes: open, block, last: isLast, bit: at, proven });
  for (let begun = codes !== null; ; begun = true) {
    if (!begun || open === null) {
      if (isLast && begun) {
        // The check value of zlib (RFC 1950) is all that may follow.
        const exact = endBit === 8 * data.length && endBit - 8 * Math.ceil(at / 8) === 32;
        if (exact) proven = true;
        return ended(exact ? 'stream' : 'run');
      }
      const header = readBlockHeader(data, at, endBit);
      // Near the end of the run the header may go on in the hole.
      if (!header) return ended(endBit - at < 2400 && endBit < 8 * data.length ? 'run' : 'broken');
      if (begun && header.telling) proven = true;
      block = at;
      [open, isLast, at] = [header.codes, header.last, header.bit];
      if (open === null) {
        for (let i = 0; i < header.stored; i++, at += 8) {
          if (at + 8 > endBit) return ended('run');
          sink.literal(data[at >>> 3]!);
        }
        continue;
      }
    }
    const { literals, distances } = open;
    const [literalMask, distanceMask] = [(1 << literals.bits) - 1, (1 << distances.bits) - 1];
    for (;;) {
      if (onSymbol?.(at)) return ended('run');
      const entry = literals.entries[peekBits(data, at) & literalMask]!;
      const symbol = entry >> 4;
      let next = at + (entry & 15);
      if (symbol < 256) {
        if (next > endBit) return ended('run');
        sink.literal(symbol);
        at = next;
      } else if (symbol === 256) {
        if (next > endBit) return ended('run');
        [at, open] = [next, null];
        break;
      } else {
        const extra = lengthExtra[symbol - 257];
        if (extra === undefined) return ended('broken');
        const length = lengthBase[symbol - 257]! + (peekBits(data, next) & ((1 << extra) - 1));
        next += extra;
        const distance = distances.entries[peekBits(data, next) & distanceMask]!;
        if (distance === 0) return ended(next + 15 > endBit ? 'run' : 'broken');
        const code = distance >> 4;
        next += distance & 15;
        const more = Math.max(0, (code >> 1) - 1);
        const far = (code < 4 ? code + 1 : ((2 + (code & 1)) << more) + 1) + (peekBits(data, next) & ((1 << more) - 1));
        next += more;
        if (next > endBit) return ended('run');
        if (code > 29) return ended('broken');
        sink.copy(length, far);
        at = next;
      }
      if (sink.length > most) return ended('broken');
    }
  }
}
