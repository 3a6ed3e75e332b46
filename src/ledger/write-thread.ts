// The writing thread: takes one write after the other out of a ring that it shares with the main thread (see write-behind.ts), and
// sleeps while there is none. It is ended from outside.
import fs from 'node:fs';
import { receiveMessageOnPort, workerData } from 'node:worker_threads';
import { AT, type Lent, NUMBERS, RING, type WriterSetup } from './write-ring.js';

const { counters, writes, port } = workerData as WriterSetup;
const memories: Uint8Array[] = [];

/** A memory that a write speaks of was sent before it. */
function memoryOf(index: number): Uint8Array {
  while (index >= memories.length) {
    const { buffer } = receiveMessageOnPort(port)!.message as Lent;
    memories.push(new Uint8Array(buffer));
  }
  return memories[index]!;
}

function write(entry: number): void {
  const [fd, position, memory, offset, size] = [...writes.subarray(entry * NUMBERS, (entry + 1) * NUMBERS)] as [
    number,
    number,
    number,
    number,
    number,
  ];
  const bytes = memoryOf(memory);
  for (let done = 0; done < size; ) done += fs.writeSync(fd, bytes, offset + done, size - done, position + done);
}

Atomics.store(counters, AT.isReady, 1);
for (let done = 0; ; done = (done + 1) | 0) {
  // It may be woken for what it has done already.
  while (Atomics.load(counters, AT.begun) === done) Atomics.wait(counters, AT.begun, done);
  // After a failure nothing more is written.
  if (Atomics.load(counters, AT.hasFailed) === 0) {
    try {
      write((done >>> 0) % RING);
    } catch (error) {
      const { message, code } = error as NodeJS.ErrnoException;
      port.postMessage({ message, code });
      Atomics.store(counters, AT.hasFailed, 1);
    }
  }
  Atomics.store(counters, AT.done, (done + 1) | 0);
  Atomics.notify(counters, AT.done);
}
