// Multiprotocol encapsulation (EN 301 192, clause 7): an IP datagram in a section, with a MAC address spread over its header,
// perhaps LLC/SNAP before it and stuffing behind it.
import { CRC_BYTES, LONG_HEADER_BYTES, writeSection } from './sections.js';

export const MPE_TABLE_ID = 0x3e;
/** The four other MAC bytes follow the long section header. */
const DATAGRAM_AT = LONG_HEADER_BYTES + 4;
/** Where the bytes of the MAC address stand in the section, the first byte first. */
const MAC_PLACES = [11, 10, 9, 8, 4, 3] as const;
/** LLC and SNAP for an EtherType (IEEE 802): AA AA 03, 00 00 00. */
const SNAP = [0xaa, 0xaa, 0x03, 0, 0, 0] as const;

/** Takes one datagram, `bytes[start, end)`, lent for the call. */
type DatagramSink = (bytes: Uint8Array, start: number, end: number, at: number) => void;

export class MpeDecoder {
  readonly #address: Uint8Array | undefined;
  readonly #sink: DatagramSink;
  readonly counts = { datagrams: 0, otherAddresses: 0, otherTables: 0, notIp: 0, scrambled: 0, split: 0 };

  /** @param address MAC address wanted; absent = every one */
  constructor(address: Uint8Array | undefined, sink: DatagramSink) {
    this.#address = address;
    this.#sink = sink;
  }

  /** Reads a whole section with the right CRC-32. */
  section(bytes: Uint8Array, end: number, at: number): void {
    if (bytes[0] !== MPE_TABLE_ID) this.counts.otherTables++;
    else if (end < DATAGRAM_AT + CRC_BYTES) this.counts.notIp++;
    else if (this.#address?.some((byte, i) => byte !== bytes[MAC_PLACES[i]!])) this.counts.otherAddresses++;
    else if ((bytes[5]! & 0x30) !== 0) this.counts.scrambled++;
    // An IP datagram may not be split over several sections (clause 7.1, from memory).
    else if (bytes[7] !== 0) this.counts.split++;
    else this.#datagram(bytes, end - CRC_BYTES, at);
  }

  #datagram(bytes: Uint8Array, end: number, at: number): void {
    let start = DATAGRAM_AT;
    if ((bytes[5]! & 2) !== 0) {
      if (SNAP.some((byte, i) => bytes[start + i] !== byte)) {
        this.counts.notIp++;
        return;
      }
      start += SNAP.length + 2;
    }
    const size = ipBytes(bytes, start, end);
    if (size === 0) {
      this.counts.notIp++;
      return;
    }
    this.counts.datagrams++;
    this.#sink(bytes, start, start + size, at + start);
  }
}

/** Bytes of the IP datagram at `start` by its own length field (RFC 791, RFC 8200); 0 when there is none that fits. */
function ipBytes(bytes: Uint8Array, start: number, end: number): number {
  const version = bytes[start]! >> 4;
  const headerBytes = version === 4 ? 20 : 40;
  if ((version !== 4 && version !== 6) || start + headerBytes > end) return 0;
  const lengthAt = start + (version === 4 ? 2 : 4);
  const length = (bytes[lengthAt]! << 8) | bytes[lengthAt + 1]!;
  const size = version === 4 ? length : headerBytes + length;
  return size < headerBytes || start + size > end ? 0 : size;
}

/** Writes an MPE section; `address` is a MAC address, 6 bytes. */
export function writeMpeSection(address: Uint8Array, datagram: Uint8Array): Uint8Array {
  const body = Buffer.concat([Uint8Array.of(address[3]!, address[2]!, address[1]!, address[0]!), datagram]);
  const extension = (address[5]! << 8) | address[4]!;
  return writeSection({ tableId: MPE_TABLE_ID, extension }, body);
}
