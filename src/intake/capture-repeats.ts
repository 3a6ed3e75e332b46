// Packets that a capture holds twice: a mirror port or two interfaces show the same packet one shortly after the other.
// Same identification, same addresses, same bytes; hops and header checksum may differ, since a router may lie between.

const KEPT = 16;
const TIME_TO_LIVE = 8;
const CHECKSUM = 10;
const BEHIND_CHECKSUM = 12;

/** Remembers the last few IPv4 packets. IPv6 packets, and IPv4 ones without an identification, cannot be told apart: none is a repeat. */
export class RecentPackets {
  readonly #ids = new Int32Array(KEPT);
  readonly #lengths = new Int32Array(KEPT);
  readonly #bytes: Buffer[] = Array.from({ length: KEPT }, () => Buffer.allocUnsafe(2048));
  #next = 0;

  /** Whether the IP packet `bytes[start, end)`, padding after it or not, is one of the last 16; if not, it is kept (a copy). */
  isRepeat(bytes: Uint8Array, start: number, end: number): boolean {
    if (bytes[start]! >> 4 !== 4) return false;
    const length = (bytes[start + 2]! << 8) | bytes[start + 3]!;
    const id = (bytes[start + 4]! << 8) | bytes[start + 5]!;
    if (id === 0 || length < 20 || start + length > end) return false;
    const packet = bytes.subarray(start, start + length);
    for (let i = 0; i < KEPT; i++) {
      if (this.#ids[i] === id && this.#lengths[i] === length && isSame(this.#bytes[i]!, packet)) return true;
    }
    const slot = this.#next;
    this.#next = (slot + 1) % KEPT;
    if (this.#bytes[slot]!.length < length) this.#bytes[slot] = Buffer.allocUnsafe(length);
    this.#bytes[slot]!.set(packet);
    this.#ids[slot] = id;
    this.#lengths[slot] = length;
    return false;
  }
}

const isSame = (kept: Buffer, packet: Uint8Array): boolean =>
  kept.compare(packet, BEHIND_CHECKSUM, packet.length, BEHIND_CHECKSUM, packet.length) === 0 &&
  kept.compare(packet, 0, TIME_TO_LIVE, 0, TIME_TO_LIVE) === 0 &&
  kept.compare(packet, TIME_TO_LIVE + 1, CHECKSUM, TIME_TO_LIVE + 1, CHECKSUM) === 0;
