// Draws files on threads of their own, several at a time. A file on which a thread breaks down costs its own drawing and no other.
import fs from 'node:fs';
import os from 'node:os';
import { Worker } from 'node:worker_threads';
import { type Drawing, type DrawRequest, drawOrTell, type Undrawn } from './draw.js';

/** Where the compiled thread lies; sources that run without a build have none. */
const threadFile = new URL('../media/draw-thread.js', import.meta.url);
/** Of a thread, for objects; the pixels lie outside. */
const HEAP_MIB = 2048;

type Work = { readonly request: DrawRequest; readonly finish: (drawn: Drawing | Undrawn) => void };

export type DrawingThreadsOptions = {
  /** At most so many; 0 = none but the calling one. Default: the machine's cores. */
  readonly threads?: number | undefined;
  /** For each, MiB of objects. Default 2,048. */
  readonly heapMib?: number;
};

/** Threads start when there is work for them, and end with `close`. */
export class DrawingThreads {
  /** Files drawn at a time, at most. */
  readonly most: number;
  readonly #isApart: boolean;
  readonly #heapMib: number;
  readonly #waiting: Work[] = [];
  readonly #idle: Worker[] = [];
  readonly #working = new Map<Worker, Work>();
  #isClosed = false;
  /** Without threads: one after the other, too. */
  #last: Promise<unknown> = Promise.resolve();

  constructor({ threads = os.availableParallelism(), heapMib = HEAP_MIB }: DrawingThreadsOptions = {}) {
    this.#isApart = threads > 0 && fs.existsSync(threadFile);
    this.most = this.#isApart ? threads : 1;
    this.#heapMib = heapMib;
  }

  /** In the order asked for. Never rejects; after `close` it never answers. */
  draw(request: DrawRequest): Promise<Drawing | Undrawn> {
    if (!this.#isApart) {
      const drawn = this.#last.then(() => (this.#isClosed ? new Promise<never>(() => undefined) : drawOrTell(request)));
      this.#last = drawn;
      return drawn;
    }
    return new Promise((finish) => {
      this.#waiting.push({ request, finish });
      this.#begin();
    });
  }

  /** What is being drawn is given up. */
  async close(): Promise<void> {
    this.#isClosed = true;
    this.#waiting.length = 0;
    await Promise.all([...this.#idle, ...this.#working.keys()].map((thread) => thread.terminate()));
  }

  #begin(): void {
    if (this.#isClosed || this.#waiting.length === 0) return;
    const thread = this.#idle.pop() ?? (this.#working.size < this.most ? this.#start() : undefined);
    if (!thread) return;
    const work = this.#waiting.shift()!;
    this.#working.set(thread, work);
    thread.postMessage(work.request);
  }

  #start(): Worker {
    const thread = new Worker(threadFile, { resourceLimits: { maxOldGenerationSizeMb: this.#heapMib } });
    thread.on('message', (drawn: Drawing | Undrawn) => {
      this.#idle.push(thread);
      this.#finish(thread, drawn);
    });
    thread.on('error', (error: NodeJS.ErrnoException) => {
      const isMemory = error.code === 'ERR_WORKER_OUT_OF_MEMORY';
      this.#finish(thread, { failed: isMemory ? 'it needs more memory than it may take' : error.message });
    });
    thread.on('exit', () => this.#finish(thread, { failed: 'the thread that drew it ended' }));
    return thread;
  }

  #finish(thread: Worker, drawn: Drawing | Undrawn): void {
    const work = this.#working.get(thread);
    this.#working.delete(thread);
    if (this.#isClosed) return;
    work?.finish(drawn);
    this.#begin();
  }
}
