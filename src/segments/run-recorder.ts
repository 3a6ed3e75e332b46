// Gathers what one recording proves, whatever its frames are: transmissions that follow each other become runs, damaged ones are
// kept as evidence and named where their neighbours tell. Nothing here grows with the bytes of the recording.
import { CounterUnwrapper } from './counter.js';
import type { DamagedFrame, Run } from './run.js';

/** Damaged frames whose bytes are kept, from the start of each recording: a bound that does not depend on other recordings. */
export const DAMAGED_KEPT = 4096;

export class RunRecorder {
  readonly runs: Run[] = [];
  readonly damagedFrames: DamagedFrame[] = [];
  intactFrames = 0;
  damagedTotal = 0;
  readonly #modulus: number;
  readonly #unwrapper: CounterUnwrapper;
  #run: Run | undefined;
  /** Unwrapped counter of the last intact frame. */
  #last = 0;
  /** Damaged frames since the last intact one, not yet attributed: their index in `damagedFrames`, and their own counter. */
  #pending: { index: number; raw: number }[] = [];
  #pendingTotal = 0;

  /** @param bits width of the counter */
  constructor(bits: number) {
    this.#modulus = 2 ** bits;
    this.#unwrapper = new CounterUnwrapper(bits);
  }

  /** Raw counter at which each stretch began. */
  get stretchStarts(): readonly number[] {
    return this.#unwrapper.stretchStarts;
  }

  /** Index of the present stretch, -1 before the first frame. */
  protected get stretch(): number {
    return this.#unwrapper.stretch;
  }

  /** Unwrapped counter of the last intact frame. */
  protected get counter(): number {
    return this.#last;
  }

  /**
   * Takes the next intact frame.
   *
   * @param raw its counter as sent
   * @param ordinal its segment's number in the file, for counters that turn meanwhile
   * @param follows see `CounterUnwrapper.next`
   */
  protected keep(
    raw: number,
    ordinal: number,
    file: number,
    segments: number,
    key: number,
    step: number,
    lane: number,
    at: number,
    follows = false,
  ): void {
    const before = this.stretch;
    const counter = this.#unwrapper.next(raw, file, ordinal, follows);
    this.intactFrames++;
    this.#append(counter, file, segments, key, step, lane, at);
    if (this.#pendingTotal > 0) this.#attribute(counter, before === this.stretch);
    this.#last = counter;
  }

  /** Takes `count` more frames that each continue the last intact one: in the next transmission the next segment of the same file. */
  protected keepOn(count: number): void {
    if (count === 0) return;
    this.#unwrapper.goOn(count);
    this.intactFrames += count;
    this.#last += count;
    this.#run!.count += count;
  }

  /**
   * Takes the frame that follows the last intact one, as a part of the same thing.
   *
   * @param raw its counter as sent
   */
  protected keepPart(raw: number, file: number, segments: number, key: number, at: number): void {
    this.keep(raw, -1, file, segments, key, 1, -1, at, true);
  }

  /** Takes what came in the same transmission as the last intact frame. */
  protected keepBeside(file: number, segments: number, key: number, step: number, lane: number, at: number): void {
    this.#append(this.#last, file, segments, key, step, lane, at);
  }

  /** @param raw counter as the damaged frame states it, -1 where it does not */
  protected keepDamaged(bytes: Uint8Array, start: number, end: number, at: number, raw: number): void {
    this.damagedTotal++;
    this.#pendingTotal++;
    if (this.damagedFrames.length >= DAMAGED_KEPT) return;
    this.#pending.push({ index: this.damagedFrames.length, raw });
    this.damagedFrames.push({ at, transmission: null, bytes: bytes.slice(start, end) });
  }

  #append(counter: number, file: number, segments: number, key: number, step: number, lane: number, at: number): void {
    const { stretch } = this.#unwrapper;
    const run = this.#run;
    if (
      run &&
      run.stretch === stretch &&
      run.counter + run.count === counter &&
      run.file === file &&
      run.segments === segments &&
      run.step === step &&
      run.key + run.count * run.step === key &&
      run.lane === lane
    ) {
      run.count++;
    } else {
      this.#run = { stretch, counter, count: 1, file, segments, key, step, lane, at };
      this.runs.push(this.#run);
    }
  }

  /**
   * Names the transmissions of the damaged frames between the last intact frame and this one: all of them when just as many are
   * missing between the two, else only those whose own counter, though unproven, fits in between.
   */
  #attribute(counter: number, sameStretch: boolean): void {
    const missing = counter - this.#last - 1;
    const { stretch } = this.#unwrapper;
    const modulus = this.#modulus;
    if (sameStretch && missing > 0) {
      let floor = this.#last;
      this.#pending.forEach(({ index, raw }, i) => {
        const own = raw < 0 ? -1 : this.#last + ((((raw - this.#last) % modulus) + modulus) % modulus);
        const named = missing === this.#pendingTotal ? this.#last + 1 + i : own > floor && own < counter ? own : -1;
        if (named < 0) return;
        floor = named;
        this.damagedFrames[index] = { ...this.damagedFrames[index]!, transmission: { stretch, counter: named } };
      });
    }
    this.#pending = [];
    this.#pendingTotal = 0;
  }
}
