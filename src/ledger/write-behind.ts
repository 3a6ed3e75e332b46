// Writes on a thread of its own, so that the main thread goes on meanwhile. The ledger has to know, without returning to its event
// loop, that a write is done: hence a thread that sleeps on a shared counter instead of the asynchronous calls of `fs`.
import fs from 'node:fs';
import { MessageChannel, type MessagePort, receiveMessageOnPort, Worker } from 'node:worker_threads';
import { OrderGiver } from './order-ring.js';
import { AT, type Lent, NUMBERS, type WriteFailure, type WriterSetup } from './write-ring.js';

/** Where the compiled thread lies; sources that run without a build have none. */
const threadFile = new URL('../ledger/write-thread.js', import.meta.url);

/** Bytes for which the thread is woken, if it sleeps: that takes as long as a small write. */
const WORTH_WAKING = 1 << 21;

/** Writes that are begun one after the other, and done in this order. */
export interface Writer {
  /** Whether it takes writes; before that they are done without it. */
  readonly isReady: boolean;
  /**
   * Begins to write bytes of a shared memory, which stay as they are until it is done; waits while many are under way.
   *
   * @returns the write's number, for `isDone` and `wait`
   */
  write(fd: number, bytes: Uint8Array, position: number): number;
  /** Whether a write and those before it are done. @throws what one of them met */
  isDone(write: number): boolean;
  /** Waits for a write and those before it. @throws what one of them met */
  wait(write: number): void;
  /** When all are done. */
  close(): void;
}

/** `undefined` where there is no build. */
export function openWriteBehind(): Writer | undefined {
  return fs.existsSync(threadFile) ? new WriteBehind() : undefined;
}

class WriteBehind implements Writer {
  readonly #writes = new OrderGiver(NUMBERS);
  readonly #states = new Int32Array(new SharedArrayBuffer(4 * Object.keys(AT).length));
  readonly #worker: Worker;
  readonly #port: MessagePort;
  readonly #memories: ArrayBufferLike[] = [];
  /** Bytes of writes that the thread has not been told of. */
  #unannounced = 0;
  #failure: Error | undefined;

  constructor() {
    const { port1, port2 } = new MessageChannel();
    const workerData: WriterSetup = { ring: this.#writes.ring, states: this.#states, port: port2 };
    this.#worker = new Worker(threadFile, { workerData, transferList: [port2], execArgv: [] });
    // It never becomes ready then.
    this.#worker.on('error', () => undefined);
    this.#worker.unref();
    this.#port = port1;
    port1.unref();
  }

  get isReady(): boolean {
    return Atomics.load(this.#states, AT.isReady) === 1;
  }

  write(fd: number, bytes: Uint8Array, position: number): number {
    this.#throwFailure();
    const write = this.#writes.give([fd, position, this.#memoryOf(bytes), bytes.byteOffset, bytes.length]);
    this.#unannounced += bytes.length;
    if (this.#unannounced >= WORTH_WAKING) this.#announce();
    return write;
  }

  isDone(write: number): boolean {
    this.#throwFailure();
    const isDone = this.#writes.isDone(write);
    if (!isDone) this.#announce();
    return isDone;
  }

  wait(write: number): void {
    this.#writes.wait(write);
    this.#throwFailure();
  }

  close(): void {
    void this.#worker.terminate();
    this.#port.close();
  }

  #announce(): void {
    this.#unannounced = 0;
    this.#writes.announce();
  }

  /** @throws what a write met */
  #throwFailure(): void {
    if (Atomics.load(this.#states, AT.hasFailed) === 0) return;
    const { message, code } = (this.#failure ?? receiveMessageOnPort(this.#port)!.message) as WriteFailure;
    this.#failure ??= Object.assign(new Error(message), { code });
    throw this.#failure;
  }

  #memoryOf({ buffer }: Uint8Array): number {
    const known = this.#memories.indexOf(buffer);
    if (known >= 0) return known;
    const lent: Lent = { buffer: buffer as SharedArrayBuffer };
    this.#port.postMessage(lent);
    return this.#memories.push(buffer) - 1;
  }
}
