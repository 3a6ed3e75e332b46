// The payloads of an RTP flow in the order of their sequence numbers: within a small window late packets find their place, what came
// twice is dropped, what is missing is marked. Standard: RFC 3550, 5.1; the bound on lateness is that of its A.1.
import { RtpPacket } from './rtp-packet.js';

/** Packets that are held back while one before them is missing. */
const RTP_WINDOW = 32;
/** So far behind the number that is due a packet is late or sent twice; farther, the sender began anew. */
const MAX_LATE = 100;
/** A packet held over so many others has a number that has nothing to do with theirs. */
const MAX_HELD_PACKETS = 256;

export interface PayloadSink {
  /** Bytes of the flow, lent for the call. */
  payload(bytes: Uint8Array, start: number, end: number, time: number): void;
  /** Bytes were lost here. */
  gap(): void;
}

type Held = {
  readonly sequence: number;
  readonly payload: Uint8Array;
  readonly time: number;
  readonly arrival: number;
};

export type RtpCounts = { rtpPackets: number; rtpLost: number; rtpLate: number; notRtp: number };

/** Takes the packets of an RTP flow and hands on their payloads by sequence number. */
export class RtpReceiver implements PayloadSink {
  readonly #sink: PayloadSink;
  readonly #packet = new RtpPacket();
  #ssrc = -1;
  #expected = 0;
  #arrivals = 0;
  #held: Held[] = [];
  readonly #counts: RtpCounts = { rtpPackets: 0, rtpLost: 0, rtpLate: 0, notRtp: 0 };

  constructor(sink: PayloadSink) {
    this.#sink = sink;
  }

  payload(bytes: Uint8Array, start: number, end: number, time: number): void {
    const packet = this.#packet;
    if (!packet.read(bytes, start, end)) {
      this.#counts.notRtp++;
      return;
    }
    this.#counts.rtpPackets++;
    this.#arrivals++;
    if (packet.ssrc !== this.#ssrc) {
      this.end();
      if (this.#ssrc >= 0) this.#sink.gap();
      this.#ssrc = packet.ssrc;
      this.#expected = packet.sequence;
    }
    const { sequence, payloadStart, payloadEnd } = packet;
    const ahead = (sequence - this.#expected) & 0xffff;
    if (ahead === 0) {
      this.#expected = (sequence + 1) & 0xffff;
      this.#handOn(bytes, payloadStart, payloadEnd, time);
      this.#release();
    } else if (ahead >= 0x10000 - MAX_LATE || this.#held.some((held) => held.sequence === sequence)) {
      this.#counts.rtpLate++;
    } else {
      const payload = Uint8Array.prototype.slice.call(bytes, payloadStart, payloadEnd);
      this.#held.push({ sequence, payload, time, arrival: this.#arrivals });
      this.#held.sort((a, b) => this.#ahead(a) - this.#ahead(b));
      if (this.#held.length > RTP_WINDOW) this.#skip();
    }
    if (this.#held.length > 0) this.#dropStrays();
  }

  /** A loss below tells nothing here: the numbers show where. */
  gap(): void {}

  /** No more packets: what is held comes out, with gaps. */
  end(): void {
    while (this.#held.length > 0) this.#skip();
  }

  counts(): RtpCounts {
    return { ...this.#counts };
  }

  #ahead({ sequence }: Held): number {
    return (sequence - this.#expected) & 0xffff;
  }

  /** Gives up the missing packets before the first one held. */
  #skip(): void {
    const missing = this.#ahead(this.#held[0]!);
    // More is no loss: the sender began anew with another number.
    if (missing < 0x8000) this.#counts.rtpLost += missing;
    this.#expected = this.#held[0]!.sequence;
    this.#sink.gap();
    this.#release();
  }

  /** Hands on what is held and due. */
  #release(): void {
    while (this.#held[0]?.sequence === this.#expected) {
      const { payload, time, sequence } = this.#held.shift()!;
      this.#expected = (sequence + 1) & 0xffff;
      this.#handOn(payload, 0, payload.length, time);
    }
  }

  #dropStrays(): void {
    const before = this.#held.length;
    this.#held = this.#held.filter(({ arrival }) => this.#arrivals - arrival <= MAX_HELD_PACKETS);
    this.#counts.rtpLate += before - this.#held.length;
  }

  #handOn(bytes: Uint8Array, start: number, end: number, time: number): void {
    if (end > start) this.#sink.payload(bytes, start, end, time);
  }
}
