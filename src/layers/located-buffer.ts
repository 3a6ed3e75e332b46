// A rolling buffer that remembers where in the recording its bytes stood, for layers whose units are put together from several
// places of it.
import { RollingBuffer } from '../bytes/rolling-buffer.js';

type Piece = {
  /** How many bytes had been taken before this piece. */
  readonly position: number;
  /** Offset in the recording of its first byte. */
  readonly at: number;
};

export class LocatedBuffer extends RollingBuffer {
  #taken = 0;
  readonly #pieces: Piece[] = [];

  /** Appends `source[from, to)`, whose first byte stands at offset `at` in the recording. Copied. */
  take(source: Uint8Array, from: number, to: number, at: number): void {
    const pieces = this.#pieces;
    if (this.length === 0) pieces.length = 0;
    const first = this.#taken - this.length;
    while (pieces.length > 1 && pieces[1]!.position <= first) pieces.shift();
    const last = pieces.at(-1);
    if (!last || at !== last.at + this.#taken - last.position) pieces.push({ position: this.#taken, at });
    this.append(source, from, to);
    this.#taken += to - from;
  }

  /** Offset in the recording of the byte at `index`, which has not been consumed. */
  offsetOf(index: number): number {
    const position = this.#taken - this.end + index;
    let piece = this.#pieces.length - 1;
    while (piece > 0 && this.#pieces[piece]!.position > position) piece--;
    const { position: first, at } = this.#pieces[piece]!;
    return at + position - first;
  }

  /** A buffer of its own with a copy of `[start, end)`, which knows the same offsets. */
  copyOf(start: number, end: number): LocatedBuffer {
    const copy = new LocatedBuffer();
    for (let i = start; i < end; i++) copy.take(this.bytes, i, i + 1, this.offsetOf(i));
    return copy;
  }
}
