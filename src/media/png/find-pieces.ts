// The pieces of a holed image data stream that can be inflated: the start, and behind each hole what follows a symbol of the block that
// was open before it (Huffman codes fall in step by themselves), or else the next block. Each must prove itself: by a block that ends
// where another begins, or by rows that each begin with one of the five filter types (PNG specification, third edition, 9.1).
import type { HoledBytes } from '../video/holed-bytes.js';
import { type BlockCodes, peekBits, readBlockHeader } from './deflate-block.js';
import { type InflateSink, inflateRun } from './inflate-run.js';

export type Piece = {
  /** In the stream: of the first symbol, and behind the last one. */
  readonly bit: number;
  readonly endBit: number;
  /** Where the header of the block begins in which the piece does; `null` where that is its own beginning. */
  readonly block: number | null;
  readonly last: boolean;
  /** Inflated bytes. */
  readonly length: number;
  /** Inflated bytes after each `markBits` of the stream. */
  readonly marks: readonly number[];
  /** By column: 1 where the first row that begins in it can begin, counted from its start. The true one is among them. */
  readonly rowStarts: Uint8Array;
  /** Its first and last rows, two of each at most. */
  readonly head: Stretch;
  readonly tail: Stretch;
  /** Mean difference of a byte to the one a row before it. */
  readonly roughness: number;
  /** It ends with the stream. */
  readonly atEnd: boolean;
};

/** Inflated bytes, and a 1 for each that is known. */
export type Stretch = { readonly bytes: Uint8Array; readonly known: Uint8Array };

export const markBits = 8192;
const windowBytes = 65536;
/** How likely chance may show rows where none begin. */
const chance = 1e-6;

/** Counts what comes out, and at which places in a row every byte can be a filter type. */
class Measure implements InflateSink {
  length = 0;
  readonly marks: number[] = [];
  readonly #rowBytes: number;
  readonly #types: readonly number[];
  readonly #small: Uint32Array;
  readonly #other: Uint32Array;
  readonly #window: Uint8Array;
  readonly #known: Uint8Array;
  readonly #head: Stretch;
  readonly #tailKnown: Uint8Array;
  #column = 0;
  /** By filter type: rows, if a row begins where counting began. */
  readonly #filters: Uint32Array = new Uint32Array(256);
  #differences = 0;
  #compared = 0;

  /** @param scratch used until the next one is made */
  constructor({ rowBytes, types, scratch }: Stream) {
    this.#rowBytes = rowBytes;
    this.#types = types;
    this.#window = scratch.window;
    this.#known = scratch.known;
    this.#head = scratch.head;
    this.#tailKnown = scratch.tailKnown;
    this.#small = scratch.small.fill(0);
    this.#other = scratch.other.fill(0);
  }

  literal(value: number): void {
    this.#put(value, 1);
  }

  copy(length: number, distance: number): void {
    for (let i = 0; i < length; i++) {
      const from = (this.length - distance) & (windowBytes - 1);
      const known = distance <= this.length ? this.#known[from]! : 0;
      this.#put(this.#window[from]!, known);
    }
  }

  #put(value: number, known: number): void {
    const at = this.length & (windowBytes - 1);
    this.#window[at] = value;
    this.#known[at] = known;
    if (this.length < this.#head.bytes.length) {
      this.#head.bytes[this.length] = value;
      this.#head.known[this.length] = known;
    }
    if (known) {
      if (this.#column === 0) this.#filters[value]!++;
      (this.#types[value] === 1 ? this.#small : this.#other)[this.#column]!++;
      const above = (this.length - this.#rowBytes) & (windowBytes - 1);
      if (this.length >= this.#rowBytes && this.#rowBytes < windowBytes && this.#known[above]) {
        this.#differences += Math.abs(value - this.#window[above]!);
        this.#compared++;
      }
    }
    this.length++;
    if (++this.#column === this.#rowBytes) this.#column = 0;
  }

  /** Columns at which rows can begin: none has a byte there that is no filter type. */
  rowStarts(): Uint8Array {
    const starts = new Uint8Array(this.#rowBytes);
    for (let x = 0; x < starts.length; x++) if (this.#other[x] === 0) starts[x] = 1;
    return starts;
  }

  /** Whether there are such columns, and chance hardly makes one. */
  get showsRows(): boolean {
    let [small, other, most] = [0, 0, 0];
    for (let x = 0; x < this.#rowBytes; x++) {
      const count = this.#small[x]!;
      small += count;
      other += this.#other[x]!;
      if (count > most && this.#other[x] === 0) most = count;
    }
    return most >= 4 && this.#rowBytes * (small / (small + other)) ** most < chance;
  }

  /** The first row differs from the second no more than rows do: decoding was in step, and with the right codes, from the start. */
  get beginsWell(): boolean {
    const { bytes, known } = this.#head;
    let [sum, count] = [0, 0];
    const end = Math.min(this.length, bytes.length) - this.#rowBytes;
    for (let i = 0; i < end; i++) {
      if (!known[i] || !known[i + this.#rowBytes]) continue;
      sum += Math.abs(bytes[i]! - bytes[i + this.#rowBytes]!);
      count++;
    }
    return count > 50 && sum / count <= 3 * this.roughness + 4;
  }

  /** Next to all of at least 8 rows look up to the one above: what is lost of one is lost of those below. */
  get looksUp(): boolean {
    const up = this.#filters[2]! + this.#filters[3]! + this.#filters[4]!;
    return up >= 8 && this.#filters[0]! + this.#filters[1]! <= 1 + up / 50;
  }

  get roughness(): number {
    return this.#differences / Math.max(1, this.#compared);
  }

  get head(): Stretch {
    const length = Math.min(this.length, this.#head.bytes.length);
    return stretch(this.#head.bytes.slice(0, length), this.#head.known.subarray(0, length));
  }

  get tail(): Stretch {
    const length = Math.min(this.length, this.#head.bytes.length);
    const known = this.#last(this.#known, this.#tailKnown.subarray(0, length));
    return stretch(this.#last(this.#window, new Uint8Array(length)), known);
  }

  #last(window: Uint8Array, last: Uint8Array): Uint8Array {
    const start = (this.length - last.length) & (windowBytes - 1);
    const turn = Math.min(last.length, windowBytes - start);
    last.set(window.subarray(start, start + turn));
    last.set(window.subarray(0, last.length - turn), turn);
    return last;
  }
}

const allKnown = new Uint8Array(windowBytes).fill(1);

/**
 * There are many pieces, and of most all is known.
 *
 * @param bytes kept. @param known copied where it has to be
 */
function stretch(bytes: Uint8Array, known: Uint8Array): Stretch {
  return { bytes, known: known.includes(0) ? known.slice() : allKnown.subarray(0, known.length) };
}

type Scratch = {
  readonly window: Uint8Array;
  readonly known: Uint8Array;
  readonly head: Stretch;
  readonly tailKnown: Uint8Array;
  readonly small: Uint32Array;
  readonly other: Uint32Array;
};

function scratchFor(rowBytes: number): Scratch {
  const two = Math.min(2 * rowBytes, windowBytes);
  return {
    window: new Uint8Array(windowBytes),
    known: new Uint8Array(windowBytes),
    head: { bytes: new Uint8Array(two), known: new Uint8Array(two) },
    tailKnown: new Uint8Array(two),
    small: new Uint32Array(rowBytes),
    other: new Uint32Array(rowBytes),
  };
}

type Open = { readonly codes: BlockCodes; readonly block: number; readonly last: boolean };
type Stream = {
  readonly data: HoledBytes;
  readonly rowBytes: number;
  readonly total: number;
  /** A 1 for each filter type that occurs. */
  readonly types: readonly number[];
  readonly scratch: Scratch;
};
type Found = {
  /** `null` where neither shows that it is one. */
  readonly piece: Piece | null;
  readonly open: Open | null;
  /** By its rows, and by a block that begins in it. */
  readonly showsRows: boolean;
  readonly proven: boolean;
  readonly looksUp: boolean;
};

const anyType = [1, 1, 1, 1, 1];

/**
 * @param data the joined image data; what its gaps hold does not matter
 * @param rowBytes of a filtered row. @param total inflated bytes of the whole picture
 */
export function findPieces(data: HoledBytes, rowBytes: number, total: number): Piece[] {
  const stream = { data, rowBytes, total, types: anyType, scratch: scratchFor(rowBytes) };
  // Many writers use no filter at all, and then fewer bytes can begin a row.
  const narrow = { ...stream, types: [1] };
  const pieces = piecesOf(narrow);
  return pieces.every(({ rowStarts }) => rowStarts.includes(1)) ? pieces : piecesOf(stream);
}

function piecesOf(stream: Stream): Piece[] {
  const { data } = stream;
  const pieces: Piece[] = [];
  // Blocks that may go on behind the next hole, the likeliest last.
  let open: Open[] = [];
  for (let start = data.nextKnown(0); start < data.length; ) {
    const end = data.knownEnd(start);
    const begun: { found: Found | null; seen: Open[] } =
      start === 0
        ? { found: measure(stream, 16, 8 * end, null), seen: [] }
        : beginAgain(stream, 8 * start, 8 * end, open);
    const { found, seen } = begun;
    if (found?.piece && found.piece.length > 0) {
      pieces.push(found.piece);
      // Then nothing behind a hole can be shown.
      if (start === 0 && found.looksUp) return pieces;
      open = found.open ? [found.open] : [];
    } else open = [...open, ...seen].slice(-3);
    start = data.nextKnown(end);
  }
  return pieces;
}

/** @returns `seen`: blocks that seem to begin here, where nothing proves it */
function beginAgain(
  stream: Stream,
  bit: number,
  endBit: number,
  open: readonly Open[],
): { found: Found | null; seen: Open[] } {
  const { bytes } = stream.data;
  for (const block of [...open].reverse()) {
    const inStep = fallInStep(bytes, bit, endBit, block);
    const found = inStep === null ? null : measure(stream, inStep, endBit, block);
    if (found?.showsRows) return { found, seen: [] };
  }
  const seen: Open[] = [];
  for (let at = bit; at + 3 <= endBit; at++) {
    // Blocks that bring their codes: bits 1 and 2 of the header are 0 and 1.
    if ((peekBits(bytes, at) & 6) !== 4 || !readBlockHeader(bytes, at, endBit)) continue;
    const found = measure(stream, at, endBit, null);
    if (found && (found.proven || found.showsRows)) return { found, seen: [] };
    if (found?.open) seen.push(found.open);
  }
  return { found: null, seen };
}

function measure(stream: Stream, bit: number, endBit: number, open: Open | null): Found | null {
  const sink = new Measure(stream);
  const [codes, last] = [open?.codes ?? null, open?.last ?? false];
  let next = bit;
  const run = inflateRun(stream.data.bytes, bit, endBit, codes, last, sink, stream.total, (at) => {
    while (at >= next) {
      sink.marks.push(sink.length);
      next += markBits;
    }
    return false;
  });
  const isStart = bit === 16;
  if (run.end === 'broken' && !isStart) return null;
  const { proven } = run;
  const showsRows = sink.showsRows && sink.beginsWell;
  const block = run.block ?? open?.block ?? null;
  const goesOn = run.codes && block !== null ? { codes: run.codes, block, last: run.last } : null;
  // Not its codes, which take more than what they inflate.
  const ways = { bit, endBit: run.bit, block: open?.block ?? null, last, atEnd: run.end === 'stream' && proven };
  const piece = isStart || proven || showsRows ? { ...ways, ...measured(sink) } : null;
  return { piece, open: goesOn, proven, showsRows, looksUp: sink.looksUp };
}

function measured(sink: Measure) {
  const { length, marks, head, tail, roughness } = sink;
  return { length, marks, head, tail, roughness, rowStarts: sink.rowStarts() };
}

const nowhere: InflateSink = { length: 0, literal: () => undefined, copy: () => undefined };
const starts = 32;
const patience = 6000;

/**
 * From which symbol on decoding is in step, whatever bit it begins at: where the chains of symbols from many of them have become one.
 *
 * @returns `null` where they do not
 */
function fallInStep(data: Uint8Array, bit: number, endBit: number, { codes, last }: Open): number | null {
  const chain = (from: number, visit: (at: number) => boolean) => {
    let left = patience;
    const run = inflateRun(data, from, endBit, codes, last, nowhere, 1, (at) => --left < 0 || visit(at));
    return run.end !== 'broken';
  };
  let reference: Set<number> | null = null;
  let inStep = 0;
  let joined = 0;
  for (let k = 0; k < starts && bit + k < endBit; k++) {
    if (!reference) {
      const places = new Set<number>();
      if (chain(bit + k, (at) => places.add(at) && false)) reference = places;
      continue;
    }
    const known: ReadonlySet<number> = reference;
    let met = -1;
    chain(bit + k, (at) => {
      if (known.has(at)) met = at;
      return met >= 0;
    });
    if (met < 0) continue;
    joined++;
    inStep = Math.max(inStep, met);
  }
  return joined >= starts / 2 ? inStep : null;
}
