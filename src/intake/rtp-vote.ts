// Whether a flow is RTP. RTP has no signature: a flow is taken for it by a vote over its first packets, and only when all of them
// fit. Standard: RFC 3550, 5.1 and A.1.
import { RtpPacket } from './rtp-packet.js';

/** Numbers may go up by this much from one packet to the next: losses and changes of order. */
const MAX_STEP = 32;
/** Share of the steps between packets that must go up. */
const RISING_SHARE = 0.75;
const VOTES = 64;
const FEWEST_VOTES = 4;
/** First byte of DVB-S2 mode adaptation headers (SatLabs): it would read as RTP with padding, extension and eight CSRCs. */
const MODE_ADAPTATION_SYNC = 0xb8;

/** Decides over the first packets of a flow whether it is RTP: all of one source and type, their numbers mostly going up. */
export class RtpVote {
  readonly #packet = new RtpPacket();
  #votes = 0;
  #rising = 0;
  #isPossible = true;
  #first: { ssrc: number; payloadType: number } | undefined;
  #sequence = 0;

  add(bytes: Uint8Array, start: number, end: number): void {
    if (!this.#isPossible || this.#votes === VOTES) return;
    const packet = this.#packet;
    this.#isPossible = packet.read(bytes, start, end) && bytes[start] !== MODE_ADAPTATION_SYNC;
    if (!this.#isPossible) return;
    const { ssrc, payloadType, sequence } = packet;
    this.#first ??= { ssrc, payloadType };
    this.#isPossible = this.#first.ssrc === ssrc && this.#first.payloadType === payloadType;
    const step = (sequence - this.#sequence) & 0xffff;
    if (this.#votes > 0 && step >= 1 && step <= MAX_STEP) this.#rising++;
    this.#sequence = sequence;
    this.#votes++;
  }

  get isRtp(): boolean {
    return this.#isPossible && this.#votes >= FEWEST_VOTES && this.#rising >= RISING_SHARE * (this.#votes - 1);
  }
}
