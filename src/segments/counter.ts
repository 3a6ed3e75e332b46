// Unwraps the on-board counter within one recording. A counter of few bits wraps, a reboot resets it: what follows such a break is
// a new stretch, and which stretches belong to one on-board run is told later, from all recordings together (transmission.ts).

/** Below this modulus a gap may hide whole turns of the counter, so only what the segments prove is taken as one stretch. */
const NARROW = 2 ** 17;

/** Follows the counter of one recording. */
export class CounterUnwrapper {
  readonly #modulus: number;
  readonly #stretchStarts: number[] = [];
  #last = 0;
  #lastFile = -1;
  #lastSegment = 0;

  /** @param bits width of the counter, 1 to 48 */
  constructor(bits: number) {
    this.#modulus = 2 ** bits;
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
   */
  next(raw: number, file: number, segment: number): number {
    const modulus = this.#modulus;
    const last = this.#last;
    const step = (((raw - last) % modulus) + modulus) % modulus;
    let advance = step;
    let breaks = this.#stretchStarts.length === 0;
    if (modulus < NARROW) {
      const segmentStep = file === this.#lastFile ? segment - this.#lastSegment : -1;
      if (segmentStep >= 0 && segmentStep % modulus === step) advance = segmentStep;
      else breaks ||= step !== 1;
    } else {
      breaks ||= step >= modulus / 2;
    }
    if (breaks) {
      this.#stretchStarts.push(raw);
      this.#last = raw;
    } else {
      this.#last = last + advance;
    }
    this.#lastFile = file;
    this.#lastSegment = segment;
    return this.#last;
  }
}
