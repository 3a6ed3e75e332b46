// Which incomplete files are written and drawn next while recordings come in: the one that waited longest, and none again before some
// time has passed, so that each has its turn and writing takes a small part of the time.

const LEAST_WAIT_MS = 700;
/** A file waits for so many times what writing it took. */
const WAIT_TIMES = 8;

/** `at` = when it had its turn or, with 0 milliseconds, when it was first seen. */
type Turn = { readonly at: number; readonly milliseconds: number };

export class DrawingTurns {
  readonly #last = new Map<string, Turn>();
  readonly #now: () => number;

  /** @param now milliseconds, never going back */
  constructor(now: () => number = () => performance.now()) {
    this.#now = now;
  }

  /** Those of `ids` whose turn it is, the one that waited longest first: new ones do not overtake those that have changed. */
  next(ids: Iterable<string>): string[] {
    const now = this.#now();
    const due: { readonly id: string; readonly at: number }[] = [];
    for (const id of ids) {
      const last = this.#last.get(id);
      if (!last) this.#last.set(id, { at: now, milliseconds: 0 });
      const { at, milliseconds } = last ?? { at: now, milliseconds: 0 };
      const wait = milliseconds === 0 ? 0 : Math.max(LEAST_WAIT_MS, WAIT_TIMES * milliseconds);
      if (now - at >= wait) due.push({ id, at });
    }
    return due.sort((a, b) => a.at - b.at).map(({ id }) => id);
  }

  /** It had its turn, and writing it took so long. */
  took(id: string, milliseconds: number): void {
    this.#last.set(id, { at: this.#now(), milliseconds: Math.max(milliseconds, Number.MIN_VALUE) });
  }
}
