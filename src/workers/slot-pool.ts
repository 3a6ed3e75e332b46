// Which slots are free, for the one who reads into them.

export class SlotPool {
  readonly #free: number[];
  #failure: unknown;
  /** Those who wait, first come first. */
  readonly #waiting: (() => void)[] = [];

  constructor(slots: number) {
    this.#free = Array.from({ length: slots }, (_, slot) => slot);
  }

  /** A free slot: at once where there is one. @throws what `fail` was told */
  take(): number | Promise<number> {
    return this.#free.pop() ?? this.#wait();
  }

  give(slot: number): void {
    this.#free.push(slot);
    this.#waiting.shift()?.();
  }

  /** Nobody waits any longer. */
  fail(error: unknown): void {
    this.#failure ??= error;
    for (const wake of this.#waiting.splice(0)) wake();
  }

  async #wait(): Promise<number> {
    for (;;) {
      if (this.#failure !== undefined) throw this.#failure;
      const slot = this.#free.pop();
      if (slot !== undefined) return slot;
      await new Promise<void>((wake) => this.#waiting.push(wake));
    }
  }
}
