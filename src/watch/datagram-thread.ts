// The receiving thread: does nothing but take datagrams from one socket and append their payloads to files, one per sender or station,
// so that nothing else the program does can make it late. Writing happens beside it: while the disk is slow, memory takes what comes.
import { createSocket, type RemoteInfo } from 'node:dgram';
import fs from 'node:fs';
import { isIPv6 } from 'node:net';
import os from 'node:os';
import path from 'node:path';
import { parentPort, workerData } from 'node:worker_threads';
import { folderOf, isGroup } from './datagram-address.js';
import type { DatagramCounts, DatagramSetup, FromDatagramThread } from './datagram-recorder.js';
import { SenderFlow } from './sender-flow.js';

const SOCKET_BYTES = 32 << 20;
const FLUSH_MS = 50;
const COUNTS_MS = 500;
const SYNC_MS = 5_000;
/** After a silence this long it is another recording. */
const SAME_RECORDING_MS = 600_000;
/** Payloads that wait for the disk, at most. */
const MOST_WAITING_BYTES = 256 << 20;
/** Senders, each with a file of its own, at most: addresses can be invented. */
const MOST_SENDERS = 64;

const port = parentPort!;
const { host, port: portNumber, station, folder } = workerData as DatagramSetup;
const counts: { -readonly [K in keyof DatagramCounts]: DatagramCounts[K] } = {
  datagrams: 0,
  bytes: 0,
  dropped: 0,
  systemDropped: 0,
};

/** Appends to the recording of one sender. */
class SenderFile {
  readonly #folder: string;
  readonly #name: string;
  #waiting: Uint8Array[] = [];
  #waitingBytes = 0;
  #file: number | undefined;
  #lastAt: number;
  #isWriting = false;
  #isUnsynced = false;

  constructor(name: string) {
    this.#name = name;
    this.#folder = path.join(folder, name);
    fs.mkdirSync(this.#folder, { recursive: true });
    const last = fs
      .readdirSync(this.#folder)
      .filter((file) => file.endsWith('.bin'))
      .map((file) => ({ file, modifiedAt: fs.statSync(path.join(this.#folder, file)).mtimeMs }))
      .sort((a, b) => a.modifiedAt - b.modifiedAt)
      .at(-1);
    this.#lastAt = last?.modifiedAt ?? 0;
    // A restart within a pass goes on with the file: it stays one recording.
    if (last && Date.now() - last.modifiedAt < SAME_RECORDING_MS) this.#open(last.file);
  }

  /** @returns false where there is no more room */
  push(payload: Uint8Array): boolean {
    if (this.#waitingBytes + payload.length > MOST_WAITING_BYTES) return false;
    this.#waiting.push(payload);
    this.#waitingBytes += payload.length;
    return true;
  }

  /** Begins to write what waits; one write at a time. */
  flush(): void {
    if (this.#isWriting || this.#waiting.length === 0) return;
    const now = Date.now();
    if (this.#file === undefined || now - this.#lastAt > SAME_RECORDING_MS)
      this.#open(`${this.#name}-${stamp(now)}.bin`);
    this.#lastAt = now;
    const bytes = Buffer.concat(this.#waiting);
    this.#waiting = [];
    this.#waitingBytes = 0;
    this.#isWriting = true;
    this.#write(bytes);
  }

  sync(): void {
    if (!this.#isUnsynced || this.#file === undefined || this.#isWriting) return;
    this.#isUnsynced = false;
    fs.fdatasync(this.#file, (error) => error && fail(error));
  }

  get isIdle(): boolean {
    return !this.#isWriting && this.#waiting.length === 0;
  }

  #write(bytes: Uint8Array): void {
    fs.write(this.#file!, bytes, (error, written) => {
      if (error) {
        // Tried again with the next: the disk may get room.
        this.#waiting.unshift(bytes);
        this.#waitingBytes += bytes.length;
        this.#isWriting = false;
        return fail(error);
      }
      this.#isUnsynced = true;
      if (written < bytes.length) return this.#write(bytes.subarray(written));
      this.#isWriting = false;
    });
  }

  #open(name: string): void {
    if (this.#file !== undefined) fs.closeSync(this.#file);
    this.#file = fs.openSync(path.join(this.#folder, name), 'a');
  }
}

type Sender = { readonly file: SenderFile; readonly flow: SenderFlow };

const senders = new Map<string, Sender>();

function receive(payload: Uint8Array, { address }: RemoteInfo): void {
  counts.datagrams++;
  counts.bytes += payload.length;
  const name = station ?? folderOf(address);
  let sender = senders.get(name);
  if (!sender && senders.size < MOST_SENDERS) {
    const file = new SenderFile(name);
    const flow = new SenderFlow((bytes) => {
      if (!file.push(bytes)) counts.dropped++;
    });
    sender = { file, flow };
    senders.set(name, sender);
  }
  if (sender) sender.flow.push(payload, performance.now());
  else counts.dropped++;
}

/** `20270314T021530Z`: ISO 8601 basic format. */
function stamp(milliseconds: number): string {
  return `${new Date(milliseconds).toISOString().slice(0, 19).replaceAll(/[-:]/g, '')}Z`;
}

/** Datagrams that the system had no room for, where it tells: the last column of its table of sockets (Linux, proc(5)). */
function systemDropped(): number {
  const own = `:${socket.address().port.toString(16).toUpperCase().padStart(4, '0')}`;
  let sum = 0;
  for (const table of ['/proc/net/udp', '/proc/net/udp6']) {
    try {
      for (const line of fs.readFileSync(table, 'utf8').split('\n')) {
        const columns = line.trim().split(/\s+/);
        if (columns[1]?.endsWith(own)) sum += Number(columns.at(-1));
      }
    } catch {
      // A system without it tells nothing.
    }
  }
  return sum;
}

function post(message: FromDatagramThread): void {
  port.postMessage(message);
}

function fail(error: Error): void {
  post({ kind: 'failed', message: error.message });
}

/** On every network that the machine is on: which of them the group is sent to nothing tells. @throws where none takes it */
function join(group: string): void {
  const own = Object.entries(os.networkInterfaces()).flatMap(([name, addresses = []]) =>
    addresses.filter(({ family }) => family === (isIPv6(group) ? 'IPv6' : 'IPv4')).map((one) => ({ ...one, name })),
  );
  const networks = new Set(own.map(({ address, name }) => (isIPv6(group) ? `::%${name}` : address)));
  let joined = 0;
  let failure: unknown = new Error(`no network here takes part in ${group}`);
  for (const network of networks) {
    try {
      socket.addMembership(group, network);
      joined++;
    } catch (error) {
      failure = error;
    }
  }
  if (joined === 0) throw failure;
}

const isOfGroup = isGroup(host);
// Other programs may listen to the same group.
const socket = createSocket({
  type: isIPv6(host) ? 'udp6' : 'udp4',
  reuseAddr: isOfGroup,
  recvBufferSize: SOCKET_BYTES,
});
socket.on('error', fail);
socket.on('message', receive);
// Bound to the group itself it gets nothing that is meant for others; Windows does not allow that.
socket.bind(portNumber, isOfGroup && process.platform === 'win32' ? undefined : host, () => {
  try {
    if (isOfGroup) join(host);
    post({ kind: 'listening', port: socket.address().port, bufferBytes: socket.getRecvBufferSize() });
  } catch (error) {
    fail(error as Error);
  }
});

const flushing = setInterval(() => {
  const now = performance.now();
  for (const { file, flow } of senders.values()) {
    flow.tick(now);
    file.flush();
  }
}, FLUSH_MS);
setInterval(() => {
  counts.systemDropped = systemDropped();
  post({ kind: 'counts', ...counts });
}, COUNTS_MS);
setInterval(() => {
  for (const { file } of senders.values()) file.sync();
}, SYNC_MS);

port.on('message', () => {
  socket.close();
  for (const { flow } of senders.values()) flow.end();
  const stopping = setInterval(() => {
    for (const { file } of senders.values()) file.flush();
    if (![...senders.values()].every(({ file }) => file.isIdle)) return;
    clearInterval(stopping);
    clearInterval(flushing);
    post({ kind: 'counts', ...counts });
    post({ kind: 'stopped' });
  }, 10);
});
