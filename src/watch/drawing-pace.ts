// How often incomplete files are written and drawn while recordings come in. A file waits for twice the time that all of them took
// the last time they were drawn, so that each has its turn and most of the time is left for what comes in.
import type { OutputPace } from '../coverage/file-outputs.js';

const LEAST_WAIT_MS = 700;

export class DrawingPace implements OutputPace {
  readonly #took = new Map<string, { readonly milliseconds: number; readonly doneAt: number }>();
  readonly #now: () => number;
  #total = 0;
  /** Something was left as it stood since this was last set to false. */
  isBehind = false;

  /** @param now milliseconds, never going back */
  constructor(now: () => number = () => performance.now()) {
    this.#now = now;
  }

  isDue(id: string): boolean {
    const last = this.#took.get(id);
    const isDue = !last || this.#now() - last.doneAt >= Math.max(LEAST_WAIT_MS, 2 * this.#total);
    if (!isDue) this.isBehind = true;
    return isDue;
  }

  took(id: string, milliseconds: number): void {
    this.#total += milliseconds - (this.#took.get(id)?.milliseconds ?? 0);
    this.#took.set(id, { milliseconds, doneAt: this.#now() });
  }
}
