// IP packets in, UDP payloads out: fragments are put together, lengths are held against what is there, checksums are counted but
// not heeded, because captures made on the sending machine show wrong ones (the network card fills them in: common practice).
import { addressText } from './ip-address.js';
import { IpPacket } from './ip-packet.js';
import { IpReassembly, type ReassemblyLimits } from './ip-reassembly.js';
import { isUdpChecksumRight, UDP, UDP_HEADER_BYTES } from './udp-datagram.js';

export type Destination = {
  readonly address: string;
  readonly port: number;
  /** `UDP 239.1.1.1:5005`, `UDP [2001:db8::1]:5005`. */
  readonly name: string;
};

export interface DatagramSink {
  /** A payload: `bytes[start, end)`, lent for the call. `at` = offset in the recording of its first byte. */
  datagram(to: Destination, bytes: Uint8Array, start: number, end: number, at: number): void;
  /** A datagram came that cannot be used; `to` where its headers still tell. */
  lost(to: Destination | undefined): void;
}

export type DatagramCounts = {
  packets: number;
  notUdp: number;
  /** IP headers that cannot be. */
  headersDamaged: number;
  /** Shorter than their headers say. */
  cut: number;
  headerChecksumsWrong: number;
  udpChecksumsWrong: number;
  fragments: number;
};

export type DatagramOptions = {
  readonly limits?: Partial<ReassemblyLimits>;
  /** Whether UDP checksums are computed at all. Default true. */
  readonly checksums?: boolean;
};

/** Destinations kept by name; when more come, the store begins anew. */
const MAX_DESTINATIONS = 4096;

export class DatagramReceiver {
  readonly #sink: DatagramSink;
  readonly #checksums: boolean;
  readonly #packet = new IpPacket();
  readonly #reassembly: IpReassembly;
  readonly #destinations = new Map<string, Destination>();
  /** The latest destination, as bytes: mostly the next one is the same. */
  readonly #latestBytes = new Uint8Array(18);
  #latestLength = 0;
  #latest: Destination | undefined;
  readonly #counts: DatagramCounts = {
    packets: 0,
    notUdp: 0,
    headersDamaged: 0,
    cut: 0,
    headerChecksumsWrong: 0,
    udpChecksumsWrong: 0,
    fragments: 0,
  };

  constructor(sink: DatagramSink, { limits, checksums = true }: DatagramOptions = {}) {
    this.#sink = sink;
    this.#checksums = checksums;
    this.#reassembly = new IpReassembly(limits);
  }

  /**
   * Takes the IP packet at `bytes[start, end)`; padding may follow it there.
   *
   * @param at offset in the recording of its first byte
   * @param time ms, NaN where it is not known
   */
  packet(bytes: Uint8Array, start: number, end: number, at: number, time: number): void {
    const packet = this.#packet;
    const counts = this.#counts;
    counts.packets++;
    this.#reassembly.tick(time);
    if (!packet.read(bytes, start, end)) {
      counts.headersDamaged++;
      this.#sink.lost(undefined);
      return;
    }
    if (!packet.isHeaderChecksumRight) counts.headerChecksumsWrong++;
    const { payloadStart, payloadEnd, source, addressBytes } = packet;
    // An IPv6 fragment may begin with more extension headers: what is in it shows when it is whole.
    if (packet.protocol !== UDP && !(packet.isFragment && packet.version === 6)) {
      counts.notUdp++;
    } else if (packet.isFragment) {
      this.#fragment(bytes, end, at + payloadStart - start, time);
    } else {
      this.#udp(bytes, payloadStart, payloadEnd, end, bytes, source, addressBytes, at + payloadStart - start);
    }
  }

  /** No more packets. */
  end(): void {
    this.#reassembly.end();
  }

  counts(): DatagramCounts & IpReassembly['counts'] {
    return { ...this.#counts, ...this.#reassembly.counts };
  }

  #fragment(bytes: Uint8Array, end: number, at: number, time: number): void {
    const packet = this.#packet;
    this.#counts.fragments++;
    if (packet.payloadEnd > end) {
      this.#counts.cut++;
      this.#sink.lost(undefined);
      return;
    }
    const whole = this.#reassembly.add(packet, bytes, at, time);
    if (!whole) return;
    const { payload, addresses, protocol } = whole;
    const length = payload.length;
    // IPv6: destination options may stand before the UDP header.
    if (!packet.walkExtensions(payload, protocol, 0, length) || packet.protocol !== UDP) {
      this.#counts.notUdp++;
      return;
    }
    const start = packet.payloadStart;
    this.#udp(payload, start, length, length, addresses, 0, addresses.length / 2, whole.at + start);
  }

  /** The datagram at `bytes[start, end)`, of which what stands before `available` is there. */
  #udp(
    bytes: Uint8Array,
    start: number,
    end: number,
    available: number,
    addresses: Uint8Array,
    source: number,
    addressBytes: number,
    at: number,
  ): void {
    if (start + UDP_HEADER_BYTES > Math.min(end, available)) {
      this.#counts.cut++;
      this.#sink.lost(undefined);
      return;
    }
    const to = this.#destination(
      addresses,
      source + addressBytes,
      addressBytes,
      (bytes[start + 2]! << 8) | bytes[start + 3]!,
    );
    const length = (bytes[start + 4]! << 8) | bytes[start + 5]!;
    const datagramEnd = start + length;
    if (length < UDP_HEADER_BYTES || datagramEnd > Math.min(end, available)) {
      this.#counts.cut++;
      this.#sink.lost(to);
      return;
    }
    if (this.#checksums && !isUdpChecksumRight(bytes, start, datagramEnd, addresses, source, addressBytes)) {
      this.#counts.udpChecksumsWrong++;
    }
    this.#sink.datagram(to, bytes, start + UDP_HEADER_BYTES, datagramEnd, at + UDP_HEADER_BYTES);
  }

  #destination(bytes: Uint8Array, at: number, length: number, port: number): Destination {
    const latest = this.#latestBytes;
    let same = this.#latestLength === length && this.#latest!.port === port;
    for (let i = 0; same && i < length; i++) same = latest[i] === bytes[at + i];
    if (same) return this.#latest!;
    const key = `${String.fromCharCode(...bytes.subarray(at, at + length))}:${port}`;
    let found = this.#destinations.get(key);
    if (!found) {
      const address = addressText(bytes, at, length);
      found = { address, port, name: `UDP ${length === 4 ? address : `[${address}]`}:${port}` };
      if (this.#destinations.size >= MAX_DESTINATIONS) this.#destinations.clear();
      this.#destinations.set(key, found);
    }
    latest.set(bytes.subarray(at, at + length));
    this.#latestLength = length;
    this.#latest = found;
    return found;
  }
}
