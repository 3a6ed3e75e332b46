// IP packets, read and written: IPv4 (RFC 791) and IPv6 (RFC 8200) with their extension headers, cut into fragments where the
// MTU asks for it. Reading fills one object that is used again and again, so that a packet costs no memory.
import { Parser } from 'binary-parser';
import { foldChecksum, sumWords } from './internet-checksum.js';

const IPV4_HEADER_BYTES = 20;
const IPV6_HEADER_BYTES = 40;
const FRAGMENT_HEADER_BYTES = 8;

const FRAGMENT = 44;
/** Hop-by-hop options, routing, destination options: the extension headers that state their length in units of 8 bytes. */
const EXTENSIONS: readonly number[] = [0, 43, 60];
const AUTHENTICATION = 51; // states it in units of 4 bytes

/** The IPv4 header without its options. */
export type Ipv4Header = {
  version: number;
  headerWords: number;
  service: number;
  totalLength: number;
  id: number;
  reserved: number;
  dontFragment: number;
  moreFragments: number;
  fragmentOffset: number;
  timeToLive: number;
  protocol: number;
  checksum: number;
  source: number;
  destination: number;
};

const ipv4Layout = new Parser()
  .endianess('big')
  .bit4('version') // 0
  .bit4('headerWords') // 0 header length in units of 4 bytes, options included
  .uint8('service') // 1
  .uint16('totalLength') // 2 bytes, header included; the link layer may have padded behind it
  .uint16('id') // 4
  .bit1('reserved') // 6
  .bit1('dontFragment') // 6
  .bit1('moreFragments') // 6
  .bit13('fragmentOffset') // 6 in units of 8 bytes
  .uint8('timeToLive') // 8
  .uint8('protocol') // 9
  .uint16('checksum') // 10 over the header
  .uint32('source') // 12
  .uint32('destination'); // 16

/** The IPv6 header without its addresses. */
export type Ipv6Header = {
  version: number;
  trafficClass: number;
  flowLabel: number;
  payloadLength: number;
  nextHeader: number;
  hopLimit: number;
};

const ipv6Layout = new Parser()
  .endianess('big')
  .bit4('version') // 0
  .bit8('trafficClass') // 0
  .bit20('flowLabel') // 1
  .uint16('payloadLength') // 4 bytes behind the header of 40, extension headers included
  .uint8('nextHeader') // 6
  .uint8('hopLimit'); // 7; then 16 bytes source, 16 bytes destination

/** The IPv6 fragment header. */
export type Ipv6FragmentHeader = {
  nextHeader: number;
  reserved: number;
  fragmentOffset: number;
  reserved2: number;
  moreFragments: number;
  id: number;
};

const fragmentLayout = new Parser()
  .endianess('big')
  .uint8('nextHeader') // 0
  .uint8('reserved') // 1
  .bit13('fragmentOffset') // 2 in units of 8 bytes
  .bit2('reserved2') // 3
  .bit1('moreFragments') // 3
  .uint32('id'); // 4

/** The layouts as data, for `inspect`-like uses and as the measure of what `IpPacket.read` reads by offset. */
export const readIpv4Header = (bytes: Uint8Array): Ipv4Header => ipv4Layout.parse(bytes) as Ipv4Header;
export const readIpv6Header = (bytes: Uint8Array): Ipv6Header => ipv6Layout.parse(bytes) as Ipv6Header;
export const readIpv6FragmentHeader = (bytes: Uint8Array): Ipv6FragmentHeader =>
  fragmentLayout.parse(bytes) as Ipv6FragmentHeader;

/** One IP packet at a time; all positions are indices in the bytes that `read` was given. */
export class IpPacket {
  version = 0;
  /** 4 or 16. */
  addressBytes = 0;
  source = 0;
  destination = 0;
  /** Of the payload: 17 is UDP. Of an IPv6 fragment: what its fragmentable part begins with. */
  protocol = 0;
  payloadStart = 0;
  /** Exclusive, by the packet's own length; beyond the bytes that were given where the packet was cut. */
  payloadEnd = 0;
  isFragment = false;
  /** In bytes. */
  fragmentOffset = 0;
  moreFragments = false;
  id = 0;
  isHeaderChecksumRight = true;

  /**
   * Reads the packet at `start`.
   *
   * @param end exclusive; what stands between the packet's own end and `end` is padding
   * @returns whether its headers are whole and possible; if not, the fields mean nothing
   */
  read(bytes: Uint8Array, start: number, end: number): boolean {
    if (start >= end) return false;
    this.version = bytes[start]! >> 4;
    if (this.version === 4) return this.#readIpv4(bytes, start, end);
    return this.version === 6 && this.#readIpv6(bytes, start, end);
  }

  #readIpv4(bytes: Uint8Array, start: number, end: number): boolean {
    const header = (bytes[start]! & 15) * 4;
    if (header < IPV4_HEADER_BYTES || start + header > end) return false;
    const total = read16(bytes, start + 2);
    if (total < header) return false;
    const fragment = read16(bytes, start + 6);
    this.addressBytes = 4;
    this.source = start + 12;
    this.destination = start + 16;
    this.protocol = bytes[start + 9]!;
    this.payloadStart = start + header;
    this.payloadEnd = start + total;
    this.fragmentOffset = (fragment & 0x1fff) * 8;
    this.moreFragments = (fragment & 0x2000) !== 0;
    this.isFragment = this.moreFragments || this.fragmentOffset > 0;
    this.id = read16(bytes, start + 4);
    this.isHeaderChecksumRight = foldChecksum(sumWords(bytes, start, start + header)) === 0;
    return true;
  }

  #readIpv6(bytes: Uint8Array, start: number, end: number): boolean {
    if (start + IPV6_HEADER_BYTES > end) return false;
    this.addressBytes = 16;
    this.source = start + 8;
    this.destination = start + 24;
    this.payloadEnd = start + IPV6_HEADER_BYTES + read16(bytes, start + 4);
    this.isFragment = false;
    this.fragmentOffset = 0;
    this.moreFragments = false;
    this.id = 0;
    this.isHeaderChecksumRight = true; // IPv6 has none
    return this.walkExtensions(bytes, bytes[start + 6]!, start + IPV6_HEADER_BYTES, Math.min(end, this.payloadEnd));
  }

  /**
   * Passes over the extension headers that begin at `at` with one of type `next`, up to a fragment header or the payload.
   *
   * @returns whether they are whole; sets `protocol` and `payloadStart`, and at a fragment header what it states
   */
  walkExtensions(bytes: Uint8Array, next: number, at: number, end: number): boolean {
    while (EXTENSIONS.includes(next) || next === AUTHENTICATION) {
      if (at + 8 > end) return false;
      const length = next === AUTHENTICATION ? (bytes[at + 1]! + 2) * 4 : (bytes[at + 1]! + 1) * 8;
      next = bytes[at]!;
      at += length;
    }
    if (next === FRAGMENT) {
      if (at + FRAGMENT_HEADER_BYTES > end) return false;
      const fragment = read16(bytes, at + 2);
      this.fragmentOffset = fragment & 0xfff8;
      this.moreFragments = (fragment & 1) !== 0;
      this.isFragment = this.moreFragments || this.fragmentOffset > 0;
      this.id = (read16(bytes, at + 4) * 0x10000 + read16(bytes, at + 6)) >>> 0;
      next = bytes[at]!;
      at += FRAGMENT_HEADER_BYTES;
      // A fragment that is all of its packet is a packet like any other (RFC 6946).
      if (!this.isFragment) return this.walkExtensions(bytes, next, at, end);
    }
    this.protocol = next;
    this.payloadStart = at;
    return at <= end;
  }
}

const read16 = (bytes: Uint8Array, at: number): number => (bytes[at]! << 8) | bytes[at + 1]!;

export type IpSending = {
  /** Both of 4 bytes, or both of 16. */
  readonly source: Uint8Array;
  readonly destination: Uint8Array;
  readonly protocol: number;
  /** Identification: 16 bits for IPv4, 32 for IPv6 (used there in fragments only). */
  readonly id: number;
  /** Bytes of the longest packet. */
  readonly mtu: number;
};

/**
 * Writes `payload` as one packet or, where it is longer than the MTU allows, as fragments.
 *
 * @param payload at most 65,515 bytes (IPv4) or 65,535 (IPv6)
 * @returns packets of their own memory
 */
export function writeIpPackets(sending: IpSending, payload: Uint8Array): Uint8Array[] {
  const isIpv4 = sending.destination.length === 4;
  const header = isIpv4 ? IPV4_HEADER_BYTES : IPV6_HEADER_BYTES;
  if (header + payload.length <= sending.mtu) {
    return [isIpv4 ? writeIpv4(sending, payload, 0, false) : writeIpv6(sending, sending.protocol, payload)];
  }
  const room = (sending.mtu - header - (isIpv4 ? 0 : FRAGMENT_HEADER_BYTES)) & ~7;
  const packets: Uint8Array[] = [];
  for (let from = 0; from < payload.length; from += room) {
    const piece = payload.subarray(from, from + room);
    const more = from + room < payload.length;
    packets.push(isIpv4 ? writeIpv4(sending, piece, from, more) : writeIpv6Fragment(sending, piece, from, more));
  }
  return packets;
}

function writeIpv4(
  { source, destination, protocol, id }: IpSending,
  piece: Uint8Array,
  offset: number,
  more: boolean,
): Uint8Array {
  const packet = Buffer.alloc(IPV4_HEADER_BYTES + piece.length);
  packet[0] = 0x45;
  packet.writeUInt16BE(packet.length, 2);
  packet.writeUInt16BE(id & 0xffff, 4);
  packet.writeUInt16BE((more ? 0x2000 : 0) | (offset / 8), 6);
  packet[8] = 16; // hops: a local network's multicast goes no further
  packet[9] = protocol;
  packet.set(source, 12);
  packet.set(destination, 16);
  packet.writeUInt16BE(foldChecksum(sumWords(packet, 0, IPV4_HEADER_BYTES)), 10);
  packet.set(piece, IPV4_HEADER_BYTES);
  return packet;
}

function writeIpv6({ source, destination }: IpSending, nextHeader: number, payload: Uint8Array): Uint8Array {
  const packet = Buffer.alloc(IPV6_HEADER_BYTES + payload.length);
  packet[0] = 0x60;
  packet.writeUInt16BE(payload.length, 4);
  packet[6] = nextHeader;
  packet[7] = 16;
  packet.set(source, 8);
  packet.set(destination, 24);
  packet.set(payload, IPV6_HEADER_BYTES);
  return packet;
}

function writeIpv6Fragment(sending: IpSending, piece: Uint8Array, offset: number, more: boolean): Uint8Array {
  const part = Buffer.alloc(FRAGMENT_HEADER_BYTES + piece.length);
  part[0] = sending.protocol;
  part.writeUInt16BE(offset | (more ? 1 : 0), 2);
  part.writeUInt32BE(sending.id >>> 0, 4);
  part.set(piece, FRAGMENT_HEADER_BYTES);
  return writeIpv6(sending, FRAGMENT, part);
}
