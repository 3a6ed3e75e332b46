// The drawing thread: one file after the other, as asked for. It gives way to the threads that receive and count, where the system
// can tell threads apart; what it starts gives way, too.
import os from 'node:os';
import { parentPort } from 'node:worker_threads';
import { type DrawRequest, drawOrTell } from './draw.js';

const port = parentPort!;
// Linux gives threads priorities of their own; elsewhere the whole program would be meant.
if (process.platform === 'linux') os.setPriority(os.constants.priority.PRIORITY_BELOW_NORMAL);

port.on('message', async (request: DrawRequest) => port.postMessage(await drawOrTell(request)));
