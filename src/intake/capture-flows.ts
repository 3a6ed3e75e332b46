// Captured packets sorted into flows: by UDP destination, or by user link type, whose packets are payload as they are.
import { DatagramReceiver, type DatagramSink, type Destination } from '../network/datagram-receiver.js';
import { ipPacketAt, userLink } from '../network/link-layer.js';
import type { PacketSink } from './capture-parser.js';
import { RecentPackets } from './capture-repeats.js';

export interface FlowSink {
  /** A payload of the flow called `name`: `bytes[start, end)`, lent for the call; `time` in ms since 1970 UTC, or NaN. */
  payload(name: string, bytes: Uint8Array, start: number, end: number, time: number): void;
  /** Payloads were lost here; `undefined`: of any flow. */
  lost(name: string | undefined): void;
}

export type FlowOptions = {
  /** Whether UDP checksums are computed. */
  readonly checksums: boolean;
};

export class CaptureFlows implements PacketSink, DatagramSink {
  readonly #sink: FlowSink;
  readonly #receiver: DatagramReceiver;
  readonly #recent = new RecentPackets();
  #time = Number.NaN;
  readonly #counts = { captured: 0, shortened: 0, repeats: 0, damagedStretches: 0, notIp: 0 };
  /** Link types whose packets held no IP. */
  readonly otherLinkTypes: Set<number> = new Set();

  constructor(sink: FlowSink, { checksums }: FlowOptions) {
    this.#sink = sink;
    this.#receiver = new DatagramReceiver(this, { checksums });
  }

  packet(linkType: number, bytes: Uint8Array, start: number, end: number, isWhole: boolean, time: number): void {
    this.#counts.captured++;
    if (!isWhole) this.#counts.shortened++;
    const user = userLink(linkType);
    if (user >= 0) {
      if (!isWhole) this.#sink.lost(`USER${user}`);
      else if (end > start) this.#sink.payload(`USER${user}`, bytes, start, end, time);
      return;
    }
    const ip = ipPacketAt(linkType, bytes, start, end);
    if (ip < 0) {
      this.#counts.notIp++;
      this.otherLinkTypes.add(linkType);
      return;
    }
    if (this.#recent.isRepeat(bytes, ip, end)) {
      this.#counts.repeats++;
      return;
    }
    this.#time = time;
    // What the snap length cut off shows here: an IP packet states its own length.
    this.#receiver.packet(bytes, ip, end, 0, time);
  }

  lost(to?: Destination): void {
    if (!to) this.#counts.damagedStretches++;
    this.#sink.lost(to?.name);
  }

  datagram({ name }: Destination, bytes: Uint8Array, start: number, end: number): void {
    if (end > start) this.#sink.payload(name, bytes, start, end, this.#time);
  }

  /** No more packets. */
  end(): void {
    this.#receiver.end();
  }

  counts(): Record<string, number> {
    return { ...this.#counts, ...this.#receiver.counts() };
  }
}
