// The writing thread: does one write after the other as the main thread orders them (see write-behind.ts).
import fs from 'node:fs';
import { receiveMessageOnPort, workerData } from 'node:worker_threads';
import { followOrders } from './order-ring.js';
import { AT, type Lent, type WriterSetup } from './write-ring.js';

const { ring, states, port } = workerData as WriterSetup;
const memories: Uint8Array[] = [];

/** A memory that a write speaks of was sent before it. */
function memoryOf(index: number): Uint8Array {
  while (index >= memories.length) {
    const { buffer } = receiveMessageOnPort(port)!.message as Lent;
    memories.push(new Uint8Array(buffer));
  }
  return memories[index]!;
}

function write(order: Float64Array): void {
  const [fd, position, memory, offset, size] = [...order] as [number, number, number, number, number];
  const bytes = memoryOf(memory);
  for (let done = 0; done < size; ) done += fs.writeSync(fd, bytes, offset + done, size - done, position + done);
}

Atomics.store(states, AT.isReady, 1);
followOrders(ring, (order) => {
  // After a failure nothing more is written.
  if (Atomics.load(states, AT.hasFailed) === 1) return;
  try {
    write(order);
  } catch (error) {
    const { message, code } = error as NodeJS.ErrnoException;
    port.postMessage({ message, code });
    Atomics.store(states, AT.hasFailed, 1);
  }
});
