// The rows of a holed PNG as far as they are determined: its placed pieces inflated, a copy of what is lost being lost too, and the
// filters undone where everything that they look back to is known (PNG specification, third edition, 9.2).
import type { HoledBytes } from '../video/holed-bytes.js';
import { BitSet } from './bit-set.js';
import { readBlockHeader } from './deflate-block.js';
import type { Piece } from './find-pieces.js';
import { type InflateSink, inflateRun } from './inflate-run.js';

/** Behind the two bytes of zlib (RFC 1950, 2.2). */
const streamBit = 16;

/** Inflated bytes, 0 where they are not known, and which are. */
export type KnownRows = { readonly bytes: Buffer; readonly known: BitSet };

class Writer implements InflateSink {
  length = 0;
  readonly #bytes: Buffer;
  readonly #known: BitSet;
  readonly #start: number;
  /** From here on all is known, and will be noted at once. */
  #runStart: number;

  constructor({ bytes, known }: KnownRows, start: number) {
    this.#bytes = bytes;
    this.#known = known;
    this.#start = start;
    this.#runStart = start;
  }

  literal(value: number): void {
    this.#bytes[this.#start + this.length++] = value;
  }

  copy(length: number, distance: number): void {
    const bytes = this.#bytes;
    const at = this.#start + this.length;
    const from = at - distance;
    this.length += length;
    if (from >= this.#runStart) {
      for (let i = 0; i < length; i++) bytes[at + i] = bytes[from + i]!;
      return;
    }
    this.#known.addRange(this.#runStart, at);
    let all = true;
    for (let i = 0; i < length; i++) {
      if (from + i < 0 || !this.#known.has(from + i)) {
        all = false;
        continue;
      }
      bytes[at + i] = bytes[from + i]!;
      this.#known.add(at + i);
    }
    if (!all) this.#runStart = at + length;
  }

  finish(): void {
    this.#known.addRange(this.#runStart, this.#start + this.length);
  }
}

/** @param places of the pieces, in their order; `null` = not known, left out */
export function inflatePieces(
  data: HoledBytes,
  pieces: readonly Piece[],
  places: readonly (number | null)[],
  total: number,
): KnownRows {
  const rows = { bytes: Buffer.alloc(total), known: new BitSet(total) };
  for (const [i, { bit, endBit, block, last, length }] of pieces.entries()) {
    const place = places[i] ?? null;
    if (place === null || place + length > total) continue;
    const codes = block === null ? null : readBlockHeader(data.bytes, block, 8 * data.length)!.codes;
    const writer = new Writer(rows, place);
    inflateRun(data.bytes, bit, endBit, codes, last, writer, length);
    writer.finish();
  }
  return rows;
}

/** @returns what comes before the first hole, and its `length`; `null` where it is no deflate stream, or gives more than `total` bytes */
export function inflateStart(data: HoledBytes, total: number): { rows: KnownRows; length: number } | null {
  const rows = { bytes: Buffer.alloc(total), known: new BitSet(total) };
  const writer = new Writer(rows, 0);
  const { end } = inflateRun(data.bytes, streamBit, 8 * data.knownEnd(0), null, false, writer, total);
  writer.finish();
  return end === 'broken' ? null : { rows, length: writer.length };
}

/**
 * Undoes the filters of the rows in `[start, end)`, in place; the filter types become 0, what is not known becomes 0 too.
 *
 * @param rowBytes with the filter type. @param back bytes to the one that stands left of a byte
 */
export function undoFilters(
  { bytes, known }: KnownRows,
  rowBytes: number,
  back: number,
  start = 0,
  end: number = bytes.length,
): void {
  let isAboveKnown = true;
  for (let row = start; row + rowBytes <= end; row += rowBytes) {
    const filter = known.has(row) ? bytes[row]! : 5;
    const isKnown = known.hasAll(row, row + rowBytes);
    bytes[row] = 0;
    if (isKnown && (filter <= 1 || (filter <= 4 && isAboveKnown))) {
      undoKnownRow(bytes, row, rowBytes, back, filter, row > start);
      isAboveKnown = true;
    } else {
      if (known.hasAny(row, row + rowBytes)) undoHoledRow({ bytes, known }, row, rowBytes, back, filter, row > start);
      isAboveKnown = known.hasAll(row + 1, row + rowBytes);
    }
  }
}

function undoKnownRow(
  bytes: Buffer,
  row: number,
  rowBytes: number,
  back: number,
  filter: number,
  hasAbove: boolean,
): void {
  if (filter === 0) return;
  const end = row + rowBytes;
  for (let at = row + 1; at < end; at++) {
    const hasLeft = at - row > back;
    const left = hasLeft ? bytes[at - back]! : 0;
    const above = hasAbove ? bytes[at - rowBytes]! : 0;
    const corner = hasLeft && hasAbove ? bytes[at - back - rowBytes]! : 0;
    bytes[at] = bytes[at]! + predicted(filter, left, above, corner);
  }
}

function undoHoledRow(
  { bytes, known }: KnownRows,
  row: number,
  rowBytes: number,
  back: number,
  filter: number,
  hasAbove: boolean,
): void {
  for (let at = row + 1; at < row + rowBytes; at++) {
    const hasLeft = at - row > back;
    const left = hasLeft ? bytes[at - back]! : 0;
    const above = hasAbove ? bytes[at - rowBytes]! : 0;
    const corner = hasLeft && hasAbove ? bytes[at - back - rowBytes]! : 0;
    const knowsLeft = !hasLeft || known.has(at - back);
    const knowsAbove = !hasAbove || known.has(at - rowBytes);
    const knowsCorner = !hasLeft || !hasAbove || known.has(at - back - rowBytes);
    const isDetermined =
      filter === 0 ||
      (filter === 1 && knowsLeft) ||
      (filter === 2 && knowsAbove) ||
      (filter === 3 && knowsLeft && knowsAbove) ||
      (filter === 4 && knowsLeft && knowsAbove && knowsCorner);
    if (!isDetermined || !known.has(at)) {
      known.delete(at);
      bytes[at] = 0;
    } else bytes[at] = bytes[at]! + predicted(filter, left, above, corner);
  }
}

function predicted(filter: number, left: number, above: number, corner: number): number {
  if (filter === 0) return 0;
  if (filter === 1) return left;
  if (filter === 2) return above;
  if (filter === 3) return (left + above) >> 1;
  const a = Math.abs(above - corner);
  const b = Math.abs(left - corner);
  const c = Math.abs(left + above - 2 * corner);
  return a <= b && a <= c ? left : b <= c ? above : corner;
}
