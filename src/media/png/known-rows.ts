// The rows of a holed PNG as far as they are determined: its placed pieces inflated, a copy of what is lost being lost too, and the
// filters undone where everything that they look back to is known (PNG specification, third edition, 9.2).
import type { HoledBytes } from '../video/holed-bytes.js';
import type { Piece } from './find-pieces.js';
import { type InflateSink, inflateRun } from './inflate-run.js';

/** Inflated bytes, and a 1 for each that is known. */
export type KnownRows = { readonly bytes: Buffer; readonly known: Uint8Array };

class Writer implements InflateSink {
  length = 0;
  readonly #rows: KnownRows;
  readonly #start: number;

  constructor(rows: KnownRows, start: number) {
    this.#rows = rows;
    this.#start = start;
  }

  literal(value: number): void {
    const at = this.#start + this.length++;
    this.#rows.bytes[at] = value;
    this.#rows.known[at] = 1;
  }

  copy(length: number, distance: number): void {
    const { bytes, known } = this.#rows;
    for (let i = 0; i < length; i++) {
      const at = this.#start + this.length++;
      if (at < distance || !known[at - distance]) continue;
      bytes[at] = bytes[at - distance]!;
      known[at] = 1;
    }
  }
}

/** @param places of the pieces, in their order; `null` = not known, left out */
export function inflatePieces(
  data: HoledBytes,
  pieces: readonly Piece[],
  places: readonly (number | null)[],
  total: number,
): KnownRows {
  const rows = { bytes: Buffer.alloc(total), known: new Uint8Array(total) };
  for (const [i, { bit, endBit, codes, last, length }] of pieces.entries()) {
    const place = places[i] ?? null;
    if (place === null || place + length > total) continue;
    inflateRun(data.bytes, bit, endBit, codes, last, new Writer(rows, place), length);
  }
  return rows;
}

/**
 * Undoes the filters, in place; the filter types become 0, what is not known becomes 0 too.
 *
 * @param rowBytes with the filter type. @param back bytes to the one that stands left of a byte
 */
export function undoFilters({ bytes, known }: KnownRows, rowBytes: number, back: number): void {
  for (let start = 0; start + rowBytes <= bytes.length; start += rowBytes) {
    const filter = known[start] ? bytes[start]! : 5;
    bytes[start] = 0;
    for (let at = start + 1; at < start + rowBytes; at++) {
      const [hasLeft, hasAbove] = [at - start > back, start > 0];
      const left = hasLeft ? bytes[at - back]! : 0;
      const above = hasAbove ? bytes[at - rowBytes]! : 0;
      const corner = hasLeft && hasAbove ? bytes[at - back - rowBytes]! : 0;
      const knowsLeft = !hasLeft || known[at - back] === 1;
      const knowsAbove = !hasAbove || known[at - rowBytes] === 1;
      const knowsCorner = !hasLeft || !hasAbove || known[at - back - rowBytes] === 1;
      const determined =
        filter === 0 ||
        (filter === 1 && knowsLeft) ||
        (filter === 2 && knowsAbove) ||
        (filter === 3 && knowsLeft && knowsAbove) ||
        (filter === 4 && knowsLeft && knowsAbove && knowsCorner);
      if (!known[at] || !determined) {
        known[at] = 0;
        bytes[at] = 0;
      } else bytes[at] = bytes[at]! + predicted(filter, left, above, corner);
    }
  }
}

function predicted(filter: number, left: number, above: number, corner: number): number {
  if (filter === 0) return 0;
  if (filter === 1) return left;
  if (filter === 2) return above;
  if (filter === 3) return (left + above) >> 1;
  const [a, b, c] = [Math.abs(above - corner), Math.abs(left - corner), Math.abs(left + above - 2 * corner)];
  return a <= b && a <= c ? left : b <= c ? above : corner;
}
