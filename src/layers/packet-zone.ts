// The sending side of packet zones, the same in TM and AOS transfer frames (CCSDS 132.0-B, 732.0-B): packets one behind the other
// across frames, the first header pointer of each zone, and an idle packet to fill up the last one.
import { idlePacket, SHORTEST_PACKET } from './packets-header.js';

/** First header pointer where no packet begins in the zone. */
export const NO_PACKET_STARTS = 2047;
/** First header pointer where the zone holds idle data only. */
export const ONLY_IDLE = 2046;
/** The longest zone whose every byte the pointer can name. */
export const MAX_ZONE_BYTES: number = ONLY_IDLE;

/** `zone` is lent for the call. */
export type EmitZone = (zone: Uint8Array, firstHeader: number) => void;

export class PacketZone {
  readonly #emit: EmitZone;
  readonly #zone: Uint8Array;
  #used = 0;
  #firstHeader = NO_PACKET_STARTS;

  /** @param size bytes of each zone, 1 to `MAX_ZONE_BYTES` */
  constructor(size: number, emit: EmitZone) {
    this.#zone = new Uint8Array(size);
    this.#emit = emit;
  }

  push(packet: Uint8Array): void {
    const zone = this.#zone;
    if (packet.length > 0 && this.#firstHeader === NO_PACKET_STARTS) this.#firstHeader = this.#used;
    for (let from = 0; from < packet.length; ) {
      const size = Math.min(packet.length - from, zone.length - this.#used);
      zone.set(packet.subarray(from, from + size), this.#used);
      this.#used += size;
      from += size;
      if (this.#used < zone.length) continue;
      this.#emit(zone, this.#firstHeader);
      this.#used = 0;
      this.#firstHeader = NO_PACKET_STARTS;
    }
  }

  /** Fills up the zone begun; where an idle packet is longer than what is left, it goes on in the next ones. */
  flush(): void {
    if (this.#used === 0) return;
    let size = this.#zone.length - this.#used;
    while (size < SHORTEST_PACKET) size += this.#zone.length;
    this.push(idlePacket(size));
  }
}
