// Orders from one thread to another, some numbers each, followed one after the other. Both know through shared counters, without
// returning to an event loop, how far it is; they sleep on them where they have to wait.

/** Places in the ring; a power of two, since the counters turn at 2^32. */
const PLACES = 64;
/** Places in `counters`. */
const AT = { given: 0, done: 1 } as const;

/** Shared by both. */
export type OrderRing = {
  readonly counters: Int32Array;
  readonly orders: Float64Array;
  /** Numbers of an order. */
  readonly numbers: number;
};

/** The side that gives orders. */
export class OrderGiver {
  readonly ring: OrderRing;
  #given = 0;

  /** @param numbers of an order */
  constructor(numbers: number) {
    const orders = new Float64Array(new SharedArrayBuffer(8 * PLACES * numbers));
    this.ring = { counters: new Int32Array(new SharedArrayBuffer(8)), orders, numbers };
  }

  /**
   * Gives an order, of which the other side learns by `announce`; waits while the ring is full.
   *
   * @returns its number, for `isDone` and `wait`
   */
  give(order: readonly number[]): number {
    this.wait((this.#given - PLACES + 1) | 0);
    const { orders, numbers } = this.ring;
    orders.set(order, ((this.#given >>> 0) % PLACES) * numbers);
    this.#given = (this.#given + 1) | 0;
    return this.#given;
  }

  /** Wakes the other side, if it sleeps. */
  announce(): void {
    const { counters } = this.ring;
    if (Atomics.load(counters, AT.given) === this.#given) return;
    Atomics.store(counters, AT.given, this.#given);
    Atomics.notify(counters, AT.given);
  }

  /** Whether an order and those before it have been followed. */
  isDone(order: number): boolean {
    return ((Atomics.load(this.ring.counters, AT.done) - order) | 0) >= 0;
  }

  /** Waits until they have been. */
  wait(order: number): void {
    const { counters } = this.ring;
    for (;;) {
      const done = Atomics.load(counters, AT.done);
      if (((done - order) | 0) >= 0) return;
      this.announce();
      Atomics.wait(counters, AT.done, done);
    }
  }
}

/** The other side, a thread that does nothing else: it is ended from outside. */
export function followOrders({ counters, orders, numbers }: OrderRing, follow: (order: Float64Array) => void): never {
  const places = Array.from({ length: PLACES }, (_, i) => orders.subarray(i * numbers, (i + 1) * numbers));
  for (let done = 0; ; done = (done + 1) | 0) {
    // It may be woken for what it has done already.
    while (Atomics.load(counters, AT.given) === done) Atomics.wait(counters, AT.given, done);
    follow(places[(done >>> 0) % PLACES]!);
    Atomics.store(counters, AT.done, (done + 1) | 0);
    Atomics.notify(counters, AT.done);
  }
}
