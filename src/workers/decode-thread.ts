// The decoding thread: recordings through the mission's layers, block by block. Plain files it reads itself; what has to be unpacked
// the main thread reads into the same slots. Segments found are not kept here: their numbers are listed for the main thread, and
// their payloads stay where they are in the shared block unless they had to be put together.
import { parentPort, workerData } from 'node:worker_threads';
import { memory, takeFastMemory } from '../bytes/fast-memory.js';
import { gatherRoomsIn } from '../bytes/gather-room.js';
import { RecordingError } from '../errors.js';
import { Reception } from '../segments/receive.js';
import {
  ASIDE_BYTES,
  type DecoderSetup,
  type FromDecoder,
  LISTED_NUMBERS,
  type Problem,
  SLOT_BYTES,
  SLOTS,
  type ToDecoder,
} from './protocol.js';
import { readAhead } from './read-ahead.js';
import { SegmentList } from './segment-list.js';
import { SlotPool } from './slot-pool.js';

const port = parentPort!;
const { mission } = workerData as DecoderSetup;
const LIST_BYTES = LISTED_NUMBERS * Float64Array.BYTES_PER_ELEMENT;
const slots = Array.from({ length: SLOTS }, () => takeFastMemory(SLOT_BYTES)!);
const lists = slots.map(() => new Float64Array(memory.buffer, takeFastMemory(LIST_BYTES)!.byteOffset, LISTED_NUMBERS));
const asides = slots.map(() => takeFastMemory(ASIDE_BYTES)!);
/** Slots to read into, while this thread reads. */
const pool = new SlotPool(SLOTS);
const list = new SegmentList();
let reception = new Reception(mission, list);

function post(message: FromDecoder, transfer: ArrayBuffer[] = []): void {
  port.postMessage(message, transfer);
}

/** Sends what was listed since the last time. */
function sendList(slot: number, bytes: number): void {
  const unshared = list.unshared();
  const message = { kind: 'decoded', slot, bytes, listed: list.size, list: unshared, spill: list.spill() } as const;
  post(message, unshared ? [unshared.buffer as ArrayBuffer] : []);
}

/** @param at offset in the recording */
function decode(slot: number, length: number, at: number, gap: boolean): void {
  const { input } = reception;
  const bytes = slots[slot]!.subarray(0, length);
  list.begin(bytes, lists[slot], asides[slot]);
  reception.hash(bytes);
  if (gap) input.gap();
  input.push(bytes, 0, length, at, -1);
  sendList(slot, length);
}

function end(bytes: number, problem?: Problem): void {
  list.begin();
  reception.input.end();
  sendList(-1, 0);
  const { recorder, ...rest } = reception.result();
  reception = new Reception(mission, list);
  const { runs, damagedFrames, intactFrames, damagedTotal, stretchStarts } = recorder;
  const heard = { runs, damagedFrames, intactFrames, damagedTotal, stretchStarts };
  post({ kind: 'taken', taken: { recorder: heard, ...rest }, bytes, problem });
}

async function read(files: readonly string[]): Promise<void> {
  let at = 0;
  try {
    for (const file of files) {
      await readAhead(file, slots, pool, (slot, length) => {
        decode(slot, length, at, false);
        at += length;
      });
    }
    end(at);
  } catch (error) {
    if (!(error instanceof RecordingError)) throw error;
    const { code, file, offset, reason } = error;
    end(at, { code, file, offset, reason });
  }
}

port.on('message', (message: ToDecoder) => {
  if (message.kind === 'block') decode(message.slot, message.length, message.at, message.gap);
  else if (message.kind === 'free') pool.give(message.slot);
  else if (message.kind === 'read') void read(message.files);
  else end(0);
});

post({
  kind: 'ready',
  memory,
  slots: slots.map((slot) => slot.byteOffset),
  lists: lists.map((own) => own.byteOffset),
  gatherAt: gatherRoomsIn(memory.buffer)!.rooms[0]!.byteOffset,
});
