// The GSE packet header (TS 102 606-1, 4.2): read in full for tests and tools, written for the encoder. Which fields there are
// depends on the start and end bits; `gse.ts` reads the same fields by offset.
import { Parser } from 'binary-parser';

/** How the receiver's address is given. */
export const LABEL_TYPE = { six: 0, three: 1, broadcast: 2, reuse: 3 } as const;

/** Bytes of the label by its type. */
export const LABEL_BYTES = [6, 3, 0, 0] as const;

export type GseHeader = {
  /** 1: a PDU starts in this packet. */
  start: number;
  /** 1: a PDU ends in this packet. */
  end: number;
  labelType: number;
  /** Bytes of the packet behind the first two, at most 4095. */
  length: number;
  /** Where the packet does not hold a whole PDU: ties the fragments together. */
  fragId?: number;
  /** In a first fragment: bytes of Protocol Type, label, extension headers and PDU. */
  totalLength?: number;
  /** Where a PDU starts: EtherType, or the first extension header. */
  protocol?: number;
  label?: Uint8Array;
};

const word = new Parser()
  .endianess('big')
  .bit1('start') // 0 a PDU starts here
  .bit1('end') // 0 a PDU ends here
  .bit2('labelType') // 0 six bytes, three bytes, broadcast, the label before
  .bit12('length'); // 0 bytes behind this word
const fragment = new Parser().uint8('fragId'); // 2 behind the word, in every fragment
const first = new Parser().endianess('big').uint16('totalLength'); // 3 in a first fragment
const pdu = new Parser().endianess('big').uint16('protocol'); // where a PDU starts, before the label

/** Header bytes of a packet, by its kind: what stands before the data (extension headers count as data). */
export function gseHeaderBytes({ start, end, labelType }: Pick<GseHeader, 'start' | 'end' | 'labelType'>): number {
  const isWhole = start === 1 && end === 1;
  return 2 + (isWhole ? 0 : 1) + (start === 1 ? (isWhole ? 0 : 2) + 2 + LABEL_BYTES[labelType as 0]! : 0);
}

/**
 * Reads the header at the start of `packet`.
 *
 * @param packet not copied; the label is a view of it
 * @returns `null` for padding, and where `packet` is shorter than its header
 */
export function readGseHeader(packet: Uint8Array): GseHeader | null {
  if (packet.length < 2 || packet[0]! >> 4 === 0) return null;
  const header = word.parse(packet) as GseHeader;
  const size = gseHeaderBytes(header);
  if (packet.length < size) return null;
  let at = 2;
  if (header.start === 0 || header.end === 0) {
    Object.assign(header, fragment.parse(packet.subarray(at)));
    at += 1;
    if (header.start === 1) {
      Object.assign(header, first.parse(packet.subarray(at)));
      at += 2;
    }
  }
  if (header.start === 1) {
    Object.assign(header, pdu.parse(packet.subarray(at)));
    header.label = packet.subarray(at + 2, size);
  }
  return header;
}

/**
 * Writes one packet; its Length is computed.
 *
 * @throws RangeError when the packet would be longer than 4097 bytes
 */
export function writeGsePacket(header: Omit<GseHeader, 'length'>, data: Uint8Array): Uint8Array {
  const { start, end, labelType, fragId = 0, totalLength = 0, protocol = 0, label } = header;
  const headerBytes = gseHeaderBytes(header);
  const length = headerBytes + data.length - 2;
  if (length > 4095) throw new RangeError(`a GSE packet is at most 4097 bytes, got ${length + 2}`);
  const packet = new Uint8Array(length + 2);
  packet.set([(start << 7) | (end << 6) | (labelType << 4) | (length >> 8), length & 255]);
  let at = 2;
  if (start === 0 || end === 0) packet[at++] = fragId;
  if (start === 1) {
    if (end === 0) {
      packet.set([totalLength >> 8, totalLength & 255], at);
      at += 2;
    }
    packet.set([protocol >> 8, protocol & 255], at);
    if (label) packet.set(label, at + 2);
  }
  packet.set(data, headerBytes);
  return packet;
}
