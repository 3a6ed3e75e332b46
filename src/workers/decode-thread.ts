// The decoding thread: blocks of a recording through the mission's layers. Segments found are not kept here: their numbers are
// listed for the main thread, and their payloads stay where they are in the shared block unless they had to be put together.
import { parentPort, workerData } from 'node:worker_threads';
import { memory, takeFastMemory } from '../bytes/fast-memory.js';
import { gatherRoomIn } from '../bytes/gather-room.js';
import { Reception } from '../segments/receive.js';
import {
  type DecoderSetup,
  type FromDecoder,
  LISTED_SEGMENTS,
  SEGMENT_NUMBERS,
  SLOT_BYTES,
  SLOTS,
  type ToDecoder,
} from './protocol.js';
import { SegmentList } from './segment-list.js';

const port = parentPort!;
const { mission } = workerData as DecoderSetup;
const LIST_BYTES = LISTED_SEGMENTS * SEGMENT_NUMBERS * Float64Array.BYTES_PER_ELEMENT;
const slots = Array.from({ length: SLOTS }, () => takeFastMemory(SLOT_BYTES)!);
const lists = slots.map(() => new Float64Array(memory.buffer, takeFastMemory(LIST_BYTES)!.byteOffset, LIST_BYTES / 8));
const list = new SegmentList();
let reception: Reception | undefined;

function post(message: FromDecoder, transfer: ArrayBuffer[] = []): void {
  port.postMessage(message, transfer);
}

/** Sends what was listed since the last time; `slot` is then free. */
function sendList(slot: number): void {
  const segments = list.unshared();
  const spill = list.spill();
  post({ kind: 'decoded', slot, count: list.count, segments, spill }, segments ? [segments.buffer as ArrayBuffer] : []);
}

port.on('message', (message: ToDecoder) => {
  reception ??= new Reception(mission, list);
  const { input } = reception;
  if (message.kind === 'block') {
    const { slot, length, at, gap } = message;
    const bytes = slots[slot]!.subarray(0, length);
    list.begin(bytes, lists[slot]);
    reception.hash(bytes);
    if (gap) input.gap();
    input.push(bytes, 0, length, at, -1);
    sendList(slot);
    return;
  }
  list.begin(undefined, undefined);
  input.end();
  sendList(-1);
  const { recorder, ...rest } = reception.result();
  reception = undefined;
  const { runs, damagedFrames, intactFrames, damagedTotal, stretchStarts } = recorder;
  post({ kind: 'taken', recorder: { runs, damagedFrames, intactFrames, damagedTotal, stretchStarts }, ...rest });
});

post({
  kind: 'ready',
  memory,
  slots: slots.map((slot) => slot.byteOffset),
  lists: lists.map((own) => own.byteOffset),
  gatherAt: gatherRoomIn(memory.buffer)!.bytes.byteOffset,
});
