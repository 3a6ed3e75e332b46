// The datagrams of one sender, with RTP undone where they come in it. Decided over the first of them, as for captures; they wait for
// that, and again where a sender of RTP sends something else. Standard: RFC 3550.
import { RtpPacket } from '../intake/rtp-packet.js';
import { RtpReceiver } from '../intake/rtp-receiver.js';
import { RtpVote } from '../intake/rtp-vote.js';

/** Datagrams after which it is decided. */
const MOST_HELD = 16;
/** Fewer than that say little. */
const FEW_HELD = 4;
const DECIDED_AFTER_MS = 300;
const DECIDED_AFTER_MS_OF_FEW = 5_000;
/** After a silence this long nothing late is waited for. */
const SILENCE_MS = 500;

export class SenderFlow {
  readonly #keep: (payload: Uint8Array) => void;
  readonly #rtp: RtpReceiver;
  readonly #packet = new RtpPacket();
  #state: 'undecided' | 'plain' | 'rtp' = 'undecided';
  #held: Uint8Array[] = [];
  #heldSince = 0;
  #lastAt = 0;

  /** @param keep gets the payloads in order; they are not used again here */
  constructor(keep: (payload: Uint8Array) => void) {
    this.#keep = keep;
    this.#rtp = new RtpReceiver({
      payload: (bytes, start, end) => keep(bytes.subarray(start, end)),
      gap: () => undefined,
    });
  }

  /** @param datagram kept, not copied; @param now milliseconds, never going back */
  push(datagram: Uint8Array, now: number): void {
    this.#lastAt = now;
    if (this.#state === 'plain') {
      this.#keep(datagram);
      return;
    }
    const canBeRtp = this.#packet.read(datagram, 0, datagram.length);
    if (this.#state === 'rtp') {
      if (isControl(datagram)) return;
      if (canBeRtp) {
        // What is held came astray between packets of RTP.
        this.#held = [];
        this.#rtp.payload(datagram, 0, datagram.length, 0);
        return;
      }
    }
    if (this.#held.length === 0) this.#heldSince = now;
    this.#held.push(datagram);
    const isTold = this.#state === 'undecided' && !canBeRtp && !isControl(datagram);
    if (isTold || this.#held.length >= MOST_HELD) this.#decide();
  }

  /** To be called now and then: nothing is held for long. */
  tick(now: number): void {
    if (this.#state === 'undecided' && this.#held.length > 0) {
      const enough = this.#held.length < FEW_HELD ? DECIDED_AFTER_MS_OF_FEW : DECIDED_AFTER_MS;
      if (now - this.#heldSince >= enough) this.#decide();
    } else if (now - this.#lastAt >= SILENCE_MS) this.#rtp.end();
  }

  /** Hands on what is held. */
  end(): void {
    if (this.#state === 'undecided') this.#decide();
    this.#rtp.end();
  }

  #decide(): void {
    const held = this.#held;
    this.#held = [];
    this.#rtp.end();
    const vote = new RtpVote();
    for (const datagram of held) if (!isControl(datagram)) vote.add(datagram, 0, datagram.length);
    this.#state = vote.isRtp ? 'rtp' : 'plain';
    for (const datagram of held) this.push(datagram, this.#lastAt);
  }
}

/** Whether it reads as a control packet on the port of the media (RFC 5761, 4: RTCP types 192 to 223; those in use are 200 to 207). */
function isControl(datagram: Uint8Array): boolean {
  const [first = 0, type = 0] = datagram;
  return first >> 6 === 2 && type >= 200 && type <= 207;
}
