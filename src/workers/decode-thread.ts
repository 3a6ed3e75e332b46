// The decoding thread: blocks of a recording through the mission's layers. Segments found are not kept here: their numbers are
// sent to the main thread, and their payloads stay where they are in the shared block unless they had to be put together.
import { parentPort, workerData } from 'node:worker_threads';
import { crc32 } from '../bytes/crc.js';
import { takeFastMemory } from '../bytes/fast-memory.js';
import { Reception } from '../segments/receive.js';
import type { SegmentStore } from '../segments/run.js';
import { type DecoderSetup, type FromDecoder, SEGMENT_NUMBERS, SLOT_BYTES, SLOTS, type ToDecoder } from './protocol.js';

const port = parentPort!;
const { mission } = workerData as DecoderSetup;
const memory = takeFastMemory(SLOTS * SLOT_BYTES) ?? Buffer.from(new SharedArrayBuffer(SLOTS * SLOT_BYTES));
const slots = Array.from({ length: SLOTS }, (_, i) => memory.subarray(i * SLOT_BYTES, (i + 1) * SLOT_BYTES));

/** Lists segments of one block. In which lane they are kept the main thread decides; until then it is lane 0. */
class SegmentList implements SegmentStore {
  #slot: Uint8Array | undefined;
  #segments = new Float64Array(8192);
  #used = 0;
  #spill = Buffer.allocUnsafe(1 << 16);
  #spilled = 0;

  begin(slot: Uint8Array): void {
    this.#slot = slot;
  }

  store(file: number, segments: number, key: number, bytes: Uint8Array, start: number, length: number): number {
    if (this.#used + SEGMENT_NUMBERS > this.#segments.length) {
      const larger = new Float64Array(2 * this.#used);
      larger.set(this.#segments);
      this.#segments = larger;
    }
    const list = this.#segments;
    const at = this.#used;
    this.#used += SEGMENT_NUMBERS;
    list[at] = file;
    list[at + 1] = segments;
    list[at + 2] = key;
    list[at + 3] = this.#placeOf(bytes, start, length);
    list[at + 4] = length;
    list[at + 5] = crc32(bytes, start, start + length);
    return 0;
  }

  /** Sends what was listed since the last time; `slot` is then free. */
  send(slot: number): void {
    const segments = this.#segments.slice(0, this.#used);
    const spill = Uint8Array.from(this.#spill.subarray(0, this.#spilled));
    this.#used = 0;
    this.#spilled = 0;
    this.#slot = undefined;
    post({ kind: 'decoded', slot, segments, spill }, [segments.buffer, spill.buffer]);
  }

  #placeOf(bytes: Uint8Array, start: number, length: number): number {
    const slot = this.#slot;
    if (slot && bytes.buffer === slot.buffer) {
      const place = bytes.byteOffset + start;
      if (place >= slot.byteOffset && place + length <= slot.byteOffset + slot.length) return place;
    }
    if (this.#spilled + length > this.#spill.length) {
      const larger = Buffer.allocUnsafe(2 * (this.#spilled + length));
      larger.set(this.#spill.subarray(0, this.#spilled));
      this.#spill = larger;
    }
    this.#spill.set(bytes.subarray(start, start + length), this.#spilled);
    this.#spilled += length;
    return -1 - (this.#spilled - length);
  }
}

function post(message: FromDecoder, transfer: ArrayBuffer[] = []): void {
  port.postMessage(message, transfer);
}

const list = new SegmentList();
let reception: Reception | undefined;

port.on('message', (message: ToDecoder) => {
  reception ??= new Reception(mission, list);
  const { input } = reception;
  if (message.kind === 'block') {
    const { slot, length, at, gap } = message;
    const bytes = slots[slot]!.subarray(0, length);
    list.begin(bytes);
    reception.hash(bytes);
    if (gap) input.gap();
    input.push(bytes, 0, length, at, -1);
    list.send(slot);
    return;
  }
  input.end();
  list.send(-1);
  const { recorder, ...rest } = reception.result();
  reception = undefined;
  const { runs, damagedFrames, intactFrames, damagedTotal, stretchStarts } = recorder;
  post({ kind: 'taken', recorder: { runs, damagedFrames, intactFrames, damagedTotal, stretchStarts }, ...rest });
});

post({
  kind: 'ready',
  memory: memory.buffer as unknown as SharedArrayBuffer,
  slots: slots.map((slot) => slot.byteOffset),
});
