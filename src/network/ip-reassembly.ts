// Fragments put together again. Standards: RFC 791, 3.2 (IPv4), RFC 8200, 4.5 (IPv6), RFC 5722 (a datagram with overlapping
// fragments is dropped; the same rule is used for IPv4). What waits is bounded in number, bytes and age.
import type { IpPacket } from './ip-packet.js';

export type ReassemblyLimits = {
  /** Datagrams that wait for fragments. Default 256. */
  readonly datagrams: number;
  /** Bytes of their fragments. Default 8 MiB. */
  readonly bytes: number;
  /** Seconds after its first fragment that a datagram waits, where times are known. Default 30: common practice. */
  readonly ageSeconds: number;
  /** IP packets that it waits for. Default 16,384: IPv4 identifications come again after 65,536. */
  readonly agePackets: number;
};

export const defaultReassemblyLimits: ReassemblyLimits = {
  datagrams: 256,
  bytes: 8 * 2 ** 20,
  ageSeconds: 30,
  agePackets: 16384,
};

/** A datagram that is whole again, in memory of its own. */
export type Reassembled = {
  /** Source address and destination address, one after the other. */
  readonly addresses: Uint8Array;
  readonly protocol: number;
  readonly payload: Uint8Array;
  /** Offset in the recording of the payload's first byte. */
  readonly at: number;
};

type Piece = { readonly start: number; readonly end: number; readonly bytes: Uint8Array; readonly at: number };

type Waiting = {
  readonly addresses: Uint8Array;
  protocol: number;
  /** In order of `start`, without overlap. */
  pieces: Piece[];
  /** Known with the last fragment; else -1. */
  length: number;
  received: number;
  /** What it counts for in the limit. */
  stored: number;
  readonly packet: number;
  readonly time: number;
  /** Fragments overlapped or cannot be: further ones are dropped too. */
  isSpoilt: boolean;
};

/** What a piece costs beside its bytes, about. */
const PIECE_OVERHEAD = 128;
const MAX_PAYLOAD = 65535;

export class IpReassembly {
  readonly #limits: ReassemblyLimits;
  readonly #waiting = new Map<string, Waiting>();
  #stored = 0;
  #packets = 0;
  /** Datagrams put together; given up as too old, or one too many; dropped for overlapping or impossible fragments. */
  readonly counts: { reassembled: number; incomplete: number; overlapping: number } = {
    reassembled: 0,
    incomplete: 0,
    overlapping: 0,
  };

  constructor(limits: Partial<ReassemblyLimits> = {}) {
    this.#limits = { ...defaultReassemblyLimits, ...limits };
  }

  /** Tells that another IP packet came, and when (ms; NaN = not known): what has waited too long is given up. */
  tick(time: number): void {
    this.#packets++;
    for (const [key, waiting] of this.#waiting) {
      const isOld =
        this.#packets - waiting.packet > this.#limits.agePackets ||
        Math.abs(time - waiting.time) > this.#limits.ageSeconds * 1000;
      if (!isOld) return;
      this.#giveUp(key, waiting);
    }
  }

  /**
   * Takes a whole fragment.
   *
   * @param bytes where `packet` was read; what is kept is copied
   * @param at offset in the recording of the fragment's payload
   * @returns the datagram, where this was its last missing piece
   */
  add(packet: IpPacket, bytes: Uint8Array, at: number, time: number): Reassembled | null {
    const key = fragmentKey(packet, bytes);
    let waiting = this.#waiting.get(key);
    if (!waiting) {
      const { addressBytes, source } = packet;
      const addresses = Uint8Array.prototype.slice.call(bytes, source, source + 2 * addressBytes);
      waiting = {
        addresses,
        protocol: packet.protocol,
        pieces: [],
        length: -1,
        received: 0,
        stored: PIECE_OVERHEAD,
        packet: this.#packets,
        time,
        isSpoilt: false,
      };
      this.#waiting.set(key, waiting);
      this.#stored += waiting.stored;
    }
    if (!waiting.isSpoilt && !this.#insert(waiting, packet, bytes, at)) this.#spoil(waiting);
    if (!waiting.isSpoilt && waiting.received === waiting.length) {
      this.#remove(key, waiting);
      this.counts.reassembled++;
      const { addresses, protocol, pieces, length } = waiting;
      return { addresses, protocol, payload: joined(pieces, length), at: pieces[0]!.at };
    }
    for (const [oldest, other] of this.#waiting) {
      if (this.#waiting.size <= this.#limits.datagrams && this.#stored <= this.#limits.bytes) break;
      this.#giveUp(oldest, other);
    }
    return null;
  }

  /** Gives up what still waits. */
  end(): void {
    for (const [key, waiting] of this.#waiting) this.#giveUp(key, waiting);
  }

  /** @returns false where the fragment is impossible or overlaps with other bytes */
  #insert(waiting: Waiting, packet: IpPacket, bytes: Uint8Array, at: number): boolean {
    const { payloadStart, payloadEnd, fragmentOffset: start, moreFragments } = packet;
    const size = payloadEnd - payloadStart;
    const end = start + size;
    if (end > MAX_PAYLOAD || size === 0 || (moreFragments && size % 8 !== 0)) return false;
    const { pieces } = waiting;
    if (moreFragments ? waiting.length >= 0 && end > waiting.length : !this.#setLength(waiting, end)) return false;
    // Fragments mostly come in order: the place is looked for from the end.
    let index = pieces.length;
    while (index > 0 && pieces[index - 1]!.start >= start) index--;
    const same = pieces[index];
    if (same && same.start === start && same.end === end) {
      return Buffer.compare(same.bytes, bytes.subarray(payloadStart, payloadEnd)) === 0; // the same once more
    }
    if ((same && same.start < end) || (index > 0 && pieces[index - 1]!.end > start)) return false;
    pieces.splice(index, 0, {
      start,
      end,
      bytes: Uint8Array.prototype.slice.call(bytes, payloadStart, payloadEnd),
      at,
    });
    if (start === 0) waiting.protocol = packet.protocol;
    waiting.received += size;
    waiting.stored += size + PIECE_OVERHEAD;
    this.#stored += size + PIECE_OVERHEAD;
    return true;
  }

  #setLength(waiting: Waiting, length: number): boolean {
    if (waiting.length >= 0 && waiting.length !== length) return false;
    waiting.length = length;
    return (waiting.pieces.at(-1)?.end ?? 0) <= length;
  }

  #spoil(waiting: Waiting): void {
    this.counts.overlapping++;
    this.#stored -= waiting.stored - PIECE_OVERHEAD;
    waiting.stored = PIECE_OVERHEAD;
    waiting.pieces = [];
    waiting.isSpoilt = true;
  }

  #giveUp(key: string, waiting: Waiting): void {
    if (!waiting.isSpoilt) this.counts.incomplete++;
    this.#remove(key, waiting);
  }

  #remove(key: string, waiting: Waiting): void {
    this.#waiting.delete(key);
    this.#stored -= waiting.stored;
  }
}

/** Source, destination, identification and, for IPv4, protocol. */
function fragmentKey({ version, source, addressBytes, protocol, id }: IpPacket, bytes: Uint8Array): string {
  const addresses = String.fromCharCode(...bytes.subarray(source, source + 2 * addressBytes));
  return `${addresses}${id}/${version === 4 ? protocol : ''}`;
}

function joined(pieces: readonly Piece[], length: number): Uint8Array {
  const payload = new Uint8Array(length);
  for (const { start, bytes } of pieces) payload.set(bytes, start);
  return payload;
}
