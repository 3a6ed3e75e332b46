// Puts payloads into transport stream packets of one PID (ISO/IEC 13818-1, 2.4.3): as a stream of bytes, or as units (sections,
// SNDUs) that one after the other fill the packets, with a pointer to the first that starts.
import type { Encoder } from './layer.js';
import { PAYLOAD_BYTES, writeTsPacket } from './ts-packet.js';

/** Takes the payload of one packet. */
export type PayloadSink = (payload: Uint8Array, starts: boolean) => void;

/** Makes packets, their continuity counter counting on. */
export function packetWriter(pid: number, emit: (packet: Uint8Array) => void): PayloadSink {
  let continuity = 0;
  return (payload, starts) => {
    emit(writeTsPacket({ pid, pusi: starts ? 1 : 0, continuity }, payload));
    continuity = (continuity + 1) & 15;
  };
}

/** Cuts a stream of bytes into payloads; `flush` sends the last one short. */
export class StreamPacker implements Encoder {
  readonly #sink: PayloadSink;
  readonly #bytes = new Uint8Array(PAYLOAD_BYTES);
  #used = 0;

  constructor(sink: PayloadSink) {
    this.#sink = sink;
  }

  push(unit: Uint8Array): void {
    for (let from = 0; from < unit.length; ) {
      const size = Math.min(unit.length - from, PAYLOAD_BYTES - this.#used);
      this.#bytes.set(unit.subarray(from, from + size), this.#used);
      this.#used += size;
      from += size;
      if (this.#used === PAYLOAD_BYTES) this.flush();
    }
  }

  flush(): void {
    if (this.#used > 0) this.#sink(this.#bytes.subarray(0, this.#used), false);
    this.#used = 0;
  }
}

/** Packs units one behind the other; what is left of a packet is filled with 0xFF. */
export class UnitPacker implements Encoder {
  readonly #sink: PayloadSink;
  readonly #leastStart: number;
  readonly #bytes = new Uint8Array(PAYLOAD_BYTES);
  #used = 0;
  /** Where the first unit starts in the payload; -1 = none does, and there is no pointer. */
  #pointer = -1;

  /** @param leastStart bytes of a unit that may not be cut apart at its start */
  constructor(leastStart: number, sink: PayloadSink) {
    this.#leastStart = leastStart;
    this.#sink = sink;
  }

  push(unit: Uint8Array): void {
    if (this.#used + this.#leastStart > PAYLOAD_BYTES - 1) this.flush();
    if (this.#pointer < 0) this.#pointer = this.#used;
    for (let from = 0; from < unit.length; ) {
      const capacity = PAYLOAD_BYTES - (this.#pointer < 0 ? 0 : 1);
      if (this.#used === capacity) {
        this.flush();
        continue;
      }
      const size = Math.min(unit.length - from, capacity - this.#used);
      this.#bytes.set(unit.subarray(from, from + size), this.#used);
      this.#used += size;
      from += size;
    }
  }

  flush(): void {
    if (this.#used === 0) return;
    const payload = new Uint8Array(PAYLOAD_BYTES).fill(0xff);
    const starts = this.#pointer >= 0;
    if (starts) payload[0] = this.#pointer;
    payload.set(this.#bytes.subarray(0, this.#used), starts ? 1 : 0);
    this.#sink(payload, starts);
    this.#used = 0;
    this.#pointer = -1;
  }
}
