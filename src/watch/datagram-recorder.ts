// The main thread's side of a receiving thread: starts it, counts, and stops it once everything that came is written.
import fs from 'node:fs';
import { Worker } from 'node:worker_threads';
import { UsageError } from '../errors.js';
import { safeName } from '../files/safe-name.js';

export type DatagramSetup = {
  /** Address to listen on, or a multicast group. */
  readonly host: string;
  readonly port: number;
  /** Whose datagrams they are; absent = each sender's address is a station. */
  readonly station?: string;
  /** Gets one folder per station. */
  readonly folder: string;
};

export type DatagramCounts = {
  readonly datagrams: number;
  readonly bytes: number;
  /** Came, but there was no room for them here: the disk was too slow, or there were too many senders. */
  readonly dropped: number;
  /** Came, but the system had no room for them; 0 where it does not tell. */
  readonly systemDropped: number;
};

export type FromDatagramThread =
  | { readonly kind: 'listening'; readonly port: number; readonly bufferBytes: number }
  | ({ readonly kind: 'counts' } & DatagramCounts)
  | { readonly kind: 'failed'; readonly message: string }
  | { readonly kind: 'stopped' };

/** Where the compiled thread lies. */
const threadFile = new URL('../watch/datagram-thread.js', import.meta.url);

/** Linux tells twice of what was asked for; below this a busy machine may lose datagrams at 40 Mbit/s. */
const SMALL_BUFFER_BYTES = 2 << 20;

export class DatagramRecorder {
  readonly url: string;
  counts: DatagramCounts = { datagrams: 0, bytes: 0, dropped: 0, systemDropped: 0 };
  /** What the user should know of this socket, if anything. */
  note: string | undefined;
  /** Port it listens on; once started. */
  port = 0;
  readonly #worker: Worker;
  readonly #listening: Promise<void>;
  readonly #stopped: Promise<void>;

  constructor(setup: DatagramSetup) {
    this.url = `udp://${setup.host.includes(':') ? `[${setup.host}]` : setup.host}:${setup.port}`;
    if (!fs.existsSync(threadFile)) throw new Error('the receiving thread is not built; `npm run build` makes it');
    this.#worker = new Worker(threadFile, { workerData: setup });
    let stopped: () => void = () => undefined;
    this.#stopped = new Promise((stop) => {
      stopped = stop;
    });
    this.#listening = new Promise((listening, fail) => {
      this.#worker.on('error', (error) => {
        this.note = `${this.url}: ${error.message}`;
        fail(error);
        stopped();
      });
      this.#worker.on('message', (message: FromDatagramThread) => {
        if (message.kind === 'listening') {
          this.port = message.port;
          if (message.bufferBytes < SMALL_BUFFER_BYTES) {
            const kib = Math.round(message.bufferBytes / 1024);
            this.note = `${this.url}: the system gives its socket ${kib} KiB only; raise net.core.rmem_max lest datagrams get lost`;
          }
          listening();
        } else if (message.kind === 'counts') {
          const { kind: _, ...counts } = message;
          this.counts = counts;
        } else if (message.kind === 'failed') {
          this.note = `${this.url}: ${message.message}`;
          fail(new UsageError(this.note));
        } else stopped();
      });
    });
    this.#listening.catch(() => undefined);
  }

  /** @throws UsageError where it cannot listen there */
  async start(): Promise<void> {
    await this.#listening;
  }

  /** Listens no more; what came is written when this is done. */
  async stop(): Promise<void> {
    this.#worker.postMessage('stop');
    await this.#stopped;
    await this.#worker.terminate();
  }
}

/** @throws UsageError for a station that no folder can be called after */
export function checkStationFolder(station: string): void {
  if (safeName(station, '') === station) return;
  throw new UsageError(`station "${station}": what it sends is kept in a folder of that name; choose a plainer one`);
}
