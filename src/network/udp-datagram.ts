// The UDP header, its checksum over the pseudo header, and the writing of both. Standard: RFC 768; RFC 8200, 8.1 for IPv6.
import { Parser } from 'binary-parser';
import { foldChecksum, sumWords } from './internet-checksum.js';

export const UDP = 17;
export const UDP_HEADER_BYTES = 8;

export type UdpHeader = { sourcePort: number; port: number; length: number; checksum: number };

const layout = new Parser()
  .endianess('big')
  .uint16('sourcePort') // 0
  .uint16('port') // 2 destination
  .uint16('length') // 4 bytes, these eight included
  .uint16('checksum'); // 6 over pseudo header, header and data; 0 = none (IPv4)

/** Reads the header at the start of `bytes`, at least 8. */
export const readUdpHeader = (bytes: Uint8Array): UdpHeader => layout.parse(bytes) as UdpHeader;

/**
 * Whether the checksum of the datagram `bytes[start, end)` is right; true where there is none.
 *
 * @param addresses where source and destination address stand, one after the other
 * @param from index there
 * @param addressBytes 4 or 16
 */
export function isUdpChecksumRight(
  bytes: Uint8Array,
  start: number,
  end: number,
  addresses: Uint8Array,
  from: number,
  addressBytes: number,
): boolean {
  if (bytes[start + 6] === 0 && bytes[start + 7] === 0) return true;
  const pseudoHeader = sumWords(addresses, from, from + 2 * addressBytes) + UDP + (end - start);
  return foldChecksum(pseudoHeader + sumWords(bytes, start, end)) === 0;
}

/**
 * Writes a datagram, header and checksum included.
 *
 * @param payload at most 65,527 bytes
 */
export function writeUdpDatagram(
  source: Uint8Array,
  destination: Uint8Array,
  sourcePort: number,
  port: number,
  payload: Uint8Array,
): Uint8Array {
  const datagram = Buffer.alloc(UDP_HEADER_BYTES + payload.length);
  datagram.writeUInt16BE(sourcePort, 0);
  datagram.writeUInt16BE(port, 2);
  datagram.writeUInt16BE(datagram.length, 4);
  datagram.set(payload, UDP_HEADER_BYTES);
  const addresses = sumWords(source, 0, source.length) + sumWords(destination, 0, destination.length);
  const checksum = foldChecksum(addresses + UDP + datagram.length + sumWords(datagram, 0, datagram.length));
  datagram.writeUInt16BE(checksum || 0xffff, 6); // 0 would mean that there is none
  return datagram;
}
