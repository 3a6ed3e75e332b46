// The order in which the files go round, learned from where one file was heard to end and the next to begin. A narrow counter
// turns many times while nothing is heard; how far the carousel got tells how often.
import { fileFrames, type Line, nextFrame } from './line.js';

/** Silences of more frames are not bridged: nothing that far apart is told by a counter and a carousel alone. */
export const LONGEST_SILENCE: number = 2 ** 20;
/** Turns of the carousel are tried until one in this many wrong guesses would fit the counter by accident. */
const CERTAINTY = 16;

type Place = { /** Frames from the chain's origin to the file's first. */ readonly at: number; readonly chain: Chain };
/** Files known to follow each other; `turn` = frames until they come again, `undefined` where the chain is not closed. */
type Chain = { turn: number | undefined };

export class CarouselOrder {
  readonly #places = new Map<string, Place>();
  readonly #files = new Map<string, { readonly frames: number; readonly next: string | undefined }>();

  /** @param stretches the lines of each stretch, as `mergeLines` makes them */
  constructor(stretches: Iterable<readonly Line[]>) {
    const votes = new Map<string, Map<string, number>>();
    const frames = new Map<string, number>();
    for (const lines of stretches) {
      lines.forEach((line, i) => {
        frames.set(nameOf(line), fileFrames(line));
        const next = lines[i + 1];
        if (!next || next.start !== line.end || next.key !== 0 || nextFrame(line) < fileFrames(line)) return;
        const own = votes.get(nameOf(line)) ?? new Map<string, number>();
        own.set(nameOf(next), (own.get(nameOf(next)) ?? 0) + 1);
        votes.set(nameOf(line), own);
      });
    }
    for (const [name, count] of frames) {
      const ranked = [...(votes.get(name) ?? [])].sort((a, b) => b[1] - a[1] || (a[0] < b[0] ? -1 : 1));
      // Where the frames do not state how long a file is, it cannot be told what comes how long after it.
      this.#files.set(name, { frames: count, next: count > 0 ? ranked[0]?.[0] : undefined });
    }
    for (const name of this.#files.keys()) this.#place(name);
  }

  /**
   * How many transmissions lie between the last frame of `from` and the first of `to`, later in the same recording.
   *
   * @param step by how much the counter went on, from the first frame not in `from` to the first of `to`, modulo `modulus`
   * @returns `undefined` where the order of the files does not tell
   */
  framesBetween(from: Line, to: Line, step: number, modulus: number): number | undefined {
    const a = this.#places.get(nameOf(from));
    const b = this.#places.get(nameOf(to));
    if (!a || !b || a.chain !== b.chain) return undefined;
    const { turn } = a.chain;
    let between = b.at + to.key / to.step - a.at - nextFrame(from);
    if (turn === undefined) return between >= 0 && between % modulus === step ? between : undefined;
    between = ((between % turn) + turn) % turn;
    const turns = modulus / greatestCommonDivisor(turn, modulus) / CERTAINTY;
    for (let tried = 0; between < LONGEST_SILENCE && (tried === 0 || tried < turns); tried++) {
      if (between % modulus === step) return between;
      between += turn;
    }
    return undefined;
  }

  /** Follows the files from `name` on, and gives every one of them its place. */
  #place(name: string): void {
    const path: string[] = [];
    let end: string | undefined = name;
    while (end !== undefined && !this.#places.has(end) && !path.includes(end)) {
      path.push(end);
      end = this.#files.get(end)!.next;
    }
    const chain: Chain = { turn: undefined };
    const from = end === undefined ? -1 : path.indexOf(end);
    if (end !== undefined && from >= 0) {
      chain.turn = path.slice(from).reduce((sum, file) => sum + this.#files.get(file)!.frames, 0);
      this.#places.set(end, { at: 0, chain });
      this.#placeBackwards(path.slice(from + 1), { at: chain.turn, chain });
      path.length = from;
    }
    this.#placeBackwards(path, (end === undefined ? undefined : this.#places.get(end)) ?? { at: 0, chain });
  }

  #placeBackwards(path: readonly string[], end: Place): void {
    let { at } = end;
    for (const file of [...path].reverse()) {
      at -= this.#files.get(file)!.frames;
      this.#places.set(file, { at, chain: end.chain });
    }
  }
}

function nameOf({ file, segments, step }: Line): string {
  return `${file} ${segments} ${step}`;
}

function greatestCommonDivisor(a: number, b: number): number {
  return b === 0 ? a : greatestCommonDivisor(b, a % b);
}
