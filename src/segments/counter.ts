// Unwraps the on-board counter within one recording. A counter of few bits wraps, a reboot resets it, and a frame whose CRC passed
// by accident may carry any counter: what follows such a break is a new stretch. Which stretches belong together is told later,
// when it is known what came after them (passage.ts) and what others heard (transmission.ts).

/** A step of this many frames or more ends a stretch: a reboot and a false counter look like a long silence at first. */
export const LONG_STEP = 4096;

/** Whether a gap may hide whole turns of a counter this wide, so that only what the segments prove is taken as one stretch. */
export function isNarrowCounter(bits: number): boolean {
  return bits < 17;
}

/** Follows the counter of one recording. */
export class CounterUnwrapper {
  readonly #modulus: number;
  readonly #narrow: boolean;
  readonly #stretchStarts: number[] = [];
  #last = 0;
  #lastFile = -1;
  #lastSegment = 0;

  /** @param bits width of the counter, 1 to 48 */
  constructor(bits: number) {
    this.#modulus = 2 ** bits;
    this.#narrow = isNarrowCounter(bits);
  }

  /** Index of the present stretch, -1 before the first frame. */
  get stretch(): number {
    return this.#stretchStarts.length - 1;
  }

  /** Raw counter at which each stretch began: unwrapped counters of a stretch count on from it. */
  get stretchStarts(): readonly number[] {
    return this.#stretchStarts;
  }

  /**
   * The unwrapped counter of the next intact frame.
   *
   * @param raw counter as sent
   * @param segment its segment's number, in units of segments
   * @param follows that less than a turn of the counter passed since the last frame is known from elsewhere
   */
  next(raw: number, file: number, segment: number, follows = false): number {
    const modulus = this.#modulus;
    const step = (((raw - this.#last) % modulus) + modulus) % modulus;
    let advance = step;
    let breaks = this.#stretchStarts.length === 0;
    if (this.#narrow) {
      const segmentStep = file === this.#lastFile ? segment - this.#lastSegment : -1;
      if (segmentStep >= 0 && segmentStep % modulus === step) advance = segmentStep;
      else breaks ||= step !== 1 && !follows;
    } else {
      breaks ||= step >= LONG_STEP;
    }
    if (breaks) {
      this.#stretchStarts.push(raw);
      this.#last = raw;
    } else {
      this.#last += advance;
    }
    this.#lastFile = file;
    this.#lastSegment = segment;
    return this.#last;
  }

  /** `count` more intact frames, each one counter and one segment of the same file on. */
  goOn(count: number): void {
    this.#last += count;
    this.#lastSegment += count;
  }
}
