// Inflating a stream with bounded memory (zlib: RFC 1950 to 1952). Every piece of input is used up before the next is asked
// for, and zlib waits while its output is not fetched. What zlib had already inflated when it met damage is lost with the
// call that failed; so damaged input is read again up to there and fed in smaller pieces, at last byte by byte, and nothing
// good is left behind.
import { createGunzip, createInflateRaw, type Gunzip, type InflateRaw } from 'node:zlib';

export type InflateLimits = {
  /** Output bytes per input byte; more is a bomb. */
  readonly ratio: number;
  /** The ratio is looked at after this many output bytes. */
  readonly ratioFreeBytes: number;
  /** Output bytes of one stream. */
  readonly totalBytes: number;
};

/** Why inflating ended early; `at` counts the input bytes before the trouble. */
export type InflateTrouble = {
  readonly reason: 'cut' | 'damaged' | 'too-large';
  readonly at: number;
  readonly detail: string;
};

/** How much input has been used: of a deflate stream, its length once it has ended. */
export type InflateMeter = { consumed: number };

// 1 MiB in and out was the fastest of the sizes tried. A pass that fails is followed by one with the next size from there on:
// about 4,000 pieces, then 256.
const PIECE_BYTES = 1 << 20;
const FINER_BYTES = [256, 1];

class ZlibFailure extends Error {}

/** One gzip stream or deflate stream. */
class Stream {
  readonly #zlib: Gunzip | InflateRaw;
  #failure: NodeJS.ErrnoException | undefined;
  #wake: () => void = () => {};
  /** The compressed data said that they end, and input was left over. */
  ended = false;

  constructor(format: 'gzip' | 'deflate', chunkSize: number) {
    // With a mark of 1 byte zlib never works ahead of the reader: a failure then finds no output waiting.
    const options = { chunkSize, readableHighWaterMark: 1 };
    this.#zlib = format === 'gzip' ? createGunzip(options) : createInflateRaw(options);
    this.#zlib.on('readable', () => this.#wake());
    this.#zlib.on('end', () => this.#end());
    this.#zlib.on('close', () => this.#end());
    this.#zlib.on('error', (error) => {
      this.#failure = error;
      this.#wake();
    });
  }

  get consumed(): number {
    return this.#zlib.bytesWritten;
  }

  /** What `piece` inflates to. */
  async *feed(piece: Uint8Array): AsyncGenerator<Uint8Array, void, undefined> {
    let used = false;
    this.#zlib.write(piece, () => {
      used = true;
      this.#wake();
    });
    yield* this.#drain(() => used);
  }

  /** No more input. */
  async *finish(): AsyncGenerator<Uint8Array, void, undefined> {
    this.#zlib.end();
    yield* this.#drain(() => false);
  }

  destroy(): void {
    this.#zlib.destroy();
  }

  #end(): void {
    this.ended = true;
    this.#wake();
  }

  async *#drain(isDone: () => boolean): AsyncGenerator<Uint8Array, void, undefined> {
    for (;;) {
      const output = this.#zlib.read() as Buffer | null;
      if (output) yield output;
      else if (this.#failure) throw new ZlibFailure(this.#failure.message, { cause: this.#failure });
      else if (this.ended || isDone()) return;
      else
        await new Promise<void>((resolve) => {
          this.#wake = resolve;
        });
    }
  }
}

/** From input position `from` on, zlib is given pieces of `bytes`. */
type Fineness = { readonly from: number; readonly bytes: number };

/** Cuts `blocks` into pieces for zlib. */
async function* cut(blocks: AsyncIterable<Uint8Array>, fine: Fineness): AsyncGenerator<Uint8Array, void, undefined> {
  let at = 0;
  for await (const block of blocks) {
    for (let start = 0; start < block.length; ) {
      const length = at >= fine.from ? fine.bytes : Math.min(PIECE_BYTES, fine.from - at);
      const piece = block.subarray(start, start + length);
      start += piece.length;
      at += piece.length;
      yield piece;
    }
  }
}

const zerosAtStart = (bytes: Uint8Array): number => {
  const first = bytes.findIndex((byte) => byte !== 0);
  return first < 0 ? bytes.length : first;
};

/** All outputs of one pass over the input. Gzip: members follow each other, with zeros between or behind them. */
async function* pass(
  pieces: AsyncIterable<Uint8Array>,
  format: 'gzip' | 'deflate',
  meter: InflateMeter,
): AsyncGenerator<Uint8Array, void, undefined> {
  let stream: Stream | undefined;
  let before = 0;
  async function* counted(outputs: AsyncIterable<Uint8Array>): AsyncGenerator<Uint8Array, void, undefined> {
    try {
      for await (const output of outputs) {
        meter.consumed = before + stream!.consumed;
        yield output;
      }
    } finally {
      meter.consumed = before + stream!.consumed;
    }
  }
  try {
    for await (const piece of pieces) {
      let rest = piece;
      while (rest.length > 0) {
        if (!stream) {
          const padding = before > 0 ? zerosAtStart(rest) : 0;
          before += padding;
          meter.consumed = before;
          rest = rest.subarray(padding);
          if (rest.length === 0) break;
          stream = new Stream(format, Math.max(64 * 1024, Math.min(PIECE_BYTES, piece.length)));
        }
        const start = meter.consumed;
        yield* counted(stream.feed(rest));
        rest = rest.subarray(meter.consumed - start);
        if (!stream.ended) continue;
        stream.destroy();
        if (format === 'deflate') return;
        before = meter.consumed;
        stream = undefined;
      }
    }
    if (stream) yield* counted(stream.finish());
  } finally {
    stream?.destroy();
  }
}

/**
 * Inflates `input`; a deflate stream may have other bytes behind it, which are left alone.
 *
 * @param input opens the compressed bytes from their start; called again when they prove damaged. Its blocks may be reused.
 * @param fail makes the error that is thrown when inflating cannot go on; errors of `input` pass through
 * @param meter kept up to date, for the caller to look at
 * @returns blocks of at most 1 MiB, the reader's own
 */
export async function* inflate(
  input: () => AsyncIterable<Uint8Array>,
  format: 'gzip' | 'deflate',
  limits: InflateLimits,
  fail: (trouble: InflateTrouble) => Error,
  meter: InflateMeter = { consumed: 0 },
): AsyncGenerator<Uint8Array, void, undefined> {
  let delivered = 0;
  const finer = [...FINER_BYTES];
  for (let fine: Fineness = { from: 0, bytes: PIECE_BYTES }; ; ) {
    let skip = delivered;
    meter.consumed = 0;
    try {
      for await (const output of pass(cut(input(), fine), format, meter)) {
        const fresh = output.subarray(Math.min(skip, output.length));
        skip -= output.length - fresh.length;
        if (fresh.length === 0) continue;
        delivered += fresh.length;
        const detail = bombDetail(delivered, meter.consumed, limits);
        if (detail) throw fail({ reason: 'too-large', at: meter.consumed, detail });
        yield fresh;
      }
      return;
    } catch (error) {
      if (!(error instanceof ZlibFailure)) throw error;
      const isCut = (error.cause as NodeJS.ErrnoException).code === 'Z_BUF_ERROR';
      const trouble = { at: meter.consumed, detail: error.message };
      if (isCut) throw fail({ reason: 'cut', ...trouble });
      const bytes = finer.shift();
      if (bytes === undefined) throw fail({ reason: 'damaged', ...trouble });
      fine = { from: meter.consumed, bytes };
    }
  }
}

const bombDetail = (output: number, input: number, limits: InflateLimits): string | undefined => {
  if (output > limits.totalBytes) return `it inflates to more than ${limits.totalBytes} bytes`;
  if (output <= limits.ratioFreeBytes || output <= limits.ratio * input) return undefined;
  return `it inflates to more than ${limits.ratio} times its size (${input} bytes gave ${output})`;
};
