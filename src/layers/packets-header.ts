// Primary headers of space packets (CCSDS 133.0-B) and lengths of encapsulation packets (133.1-B), which share packet zones: the
// first three bits tell them apart.
import { Parser } from 'binary-parser';

export const HEADER_BYTES = 6;
/** A packet carries at least one byte. */
export const SHORTEST_PACKET: number = HEADER_BYTES + 1;
export const LONGEST_PACKET: number = HEADER_BYTES + 65536;
/** Encapsulation packets may state up to 4 GiB; beyond this, a length is taken for damage. */
export const LONGEST_ENCAPSULATION: number = 1 << 20;
export const IDLE_APID = 2047;

export const PACKET_VERSION = { space: 0, encapsulation: 7 } as const;
export const SEQUENCE_FLAGS = { continuation: 0, first: 1, last: 2, unsegmented: 3 } as const;

/** A primary header in the standard's own units: `length` is the number of bytes behind the header, less one. */
export type PacketHeader = {
  version: number;
  type: number;
  secondaryHeader: number;
  apid: number;
  flags: number;
  count: number;
  length: number;
};

const layout = new Parser()
  .endianess('big')
  .bit3('version') // 0 000; 111 is an encapsulation packet
  .bit1('type') // 0 telemetry, 1 telecommand
  .bit1('secondaryHeader')
  .bit11('apid') // 2047 = idle packet
  .bit2('flags') // 2 01 first, 00 continuation, 10 last, 11 unsegmented
  .bit14('count') // per APID
  .uint16('length'); // 4 bytes behind the header, less one

/**
 * Reads the primary header at the start of `packet`.
 *
 * @param packet at least 6 bytes; not kept
 * @throws RangeError when `packet` is shorter
 */
export function readPacketHeader(packet: Uint8Array): PacketHeader {
  if (packet.length < HEADER_BYTES) throw new RangeError(`a primary header is 6 bytes, got ${packet.length}`);
  return layout.parse(packet) as PacketHeader;
}

/** Writes the 6 bytes of a primary header. */
export function writePacketHeader(header: PacketHeader): Uint8Array {
  const { version, type, secondaryHeader, apid, flags, count, length } = header;
  const identification = (version << 13) | (type << 12) | (secondaryHeader << 11) | apid;
  const sequence = (flags << 14) | count;
  return Uint8Array.of(identification >> 8, identification, sequence >> 8, sequence, length >> 8, length);
}

/** An idle packet of `size` bytes, `SHORTEST_PACKET` to `LONGEST_PACKET`. Its count means nothing, its pattern is free. */
export function idlePacket(size: number): Uint8Array {
  const packet = new Uint8Array(size).fill(0x55);
  const flags = SEQUENCE_FLAGS.unsegmented;
  const length = size - SHORTEST_PACKET;
  packet.set(writePacketHeader({ version: 0, type: 0, secondaryHeader: 0, apid: IDLE_APID, flags, count: 0, length }));
  return packet;
}

/**
 * Bytes of the packet that begins at `bytes[start]`, of which those before `end` are there. Reads by offset what `layout` states.
 *
 * @returns 0 when the header is not there whole, -1 where no packet can begin
 */
export function packetBytesAt(bytes: Uint8Array, start: number, end: number): number {
  if (start >= end) return 0;
  const first = bytes[start]!;
  const version = first >> 5;
  if (version === PACKET_VERSION.space) {
    return end - start < HEADER_BYTES ? 0 : ((bytes[start + 4]! << 8) | bytes[start + 5]!) + SHORTEST_PACKET;
  }
  return version === PACKET_VERSION.encapsulation ? encapsulationBytesAt(bytes, start, end) : -1;
}

/** The two lowest bits of the first byte tell how long the length field is, which counts the header too (133.1-B, from memory). */
function encapsulationBytesAt(bytes: Uint8Array, start: number, end: number): number {
  const lengthOfLength = bytes[start]! & 3;
  if (lengthOfLength === 0) return 1;
  const header = 1 << lengthOfLength;
  if (end - start < header) return 0;
  let total = 0;
  for (let i = start + header / 2; i < start + header; i++) total = total * 256 + bytes[i]!;
  return total < header || total > LONGEST_ENCAPSULATION ? -1 : total;
}

export const apidAt = (bytes: Uint8Array, start: number): number => ((bytes[start]! & 7) << 8) | bytes[start + 1]!;
export const flagsAt = (bytes: Uint8Array, start: number): number => bytes[start + 2]! >> 6;
export const countAt = (bytes: Uint8Array, start: number): number =>
  ((bytes[start + 2]! & 0x3f) << 8) | bytes[start + 3]!;
export const hasSecondaryHeaderAt = (bytes: Uint8Array, start: number): boolean => (bytes[start]! & 8) !== 0;
