// The RTP header, read and written: where the payload of a packet lies between CSRCs, header extension and padding.
// Standard: RFC 3550, 5.1 and 5.3.1.
import { Parser } from 'binary-parser';

export const RTP_HEADER_BYTES = 12;

export type RtpHeader = {
  version: number;
  padding: number;
  extension: number;
  csrcCount: number;
  marker: number;
  payloadType: number;
  sequence: number;
  timestamp: number;
  ssrc: number;
};

const layout = new Parser()
  .endianess('big')
  .bit2('version') // 0 2
  .bit1('padding') // 0 the last byte of the packet counts the bytes of padding
  .bit1('extension') // 0 one header extension follows the CSRCs
  .bit4('csrcCount') // 0 contributing sources, 4 bytes each, behind these 12 bytes
  .bit1('marker') // 1
  .bit7('payloadType') // 1
  .uint16('sequence') // 2 goes up by one with each packet
  .uint32('timestamp') // 4 in units of the payload's clock
  .uint32('ssrc'); // 8 synchronisation source

/** Reads the fixed header at the start of `bytes`, at least 12. */
export const readRtpHeader = (bytes: Uint8Array): RtpHeader => layout.parse(bytes) as RtpHeader;

/** One RTP packet at a time. */
export class RtpPacket {
  payloadType = 0;
  sequence = 0;
  ssrc = 0;
  payloadStart = 0;
  payloadEnd = 0;

  /** @returns whether `bytes[start, end)` can be an RTP packet */
  read(bytes: Uint8Array, start: number, end: number): boolean {
    if (start + RTP_HEADER_BYTES > end) return false;
    const first = bytes[start]!;
    if (first >> 6 !== 2) return false;
    this.payloadType = bytes[start + 1]! & 0x7f;
    this.sequence = (bytes[start + 2]! << 8) | bytes[start + 3]!;
    this.ssrc =
      ((bytes[start + 8]! << 24) | (bytes[start + 9]! << 16) | (bytes[start + 10]! << 8) | bytes[start + 11]!) >>> 0;
    let at = start + RTP_HEADER_BYTES + 4 * (first & 15);
    if ((first & 0x10) !== 0) at += 4 + 4 * ((bytes[at + 2]! << 8) | bytes[at + 3]!);
    const padding = (first & 0x20) !== 0 ? bytes[end - 1]! : 0;
    if ((first & 0x20) !== 0 && padding === 0) return false;
    this.payloadStart = at;
    this.payloadEnd = end - padding;
    // Types 72 to 76 would read as control packets (RTCP) on the same port (RFC 5761, 4).
    return at <= this.payloadEnd && (this.payloadType < 72 || this.payloadType > 76);
  }
}

/** Writes a packet without padding, extension and CSRCs. */
export function writeRtpPacket(
  header: Pick<RtpHeader, 'payloadType' | 'sequence' | 'timestamp' | 'ssrc'>,
  payload: Uint8Array,
): Uint8Array {
  const packet = Buffer.alloc(RTP_HEADER_BYTES + payload.length);
  packet[0] = 0x80;
  packet[1] = header.payloadType;
  packet.writeUInt16BE(header.sequence & 0xffff, 2);
  packet.writeUInt32BE(header.timestamp >>> 0, 4);
  packet.writeUInt32BE(header.ssrc >>> 0, 8);
  packet.set(payload, RTP_HEADER_BYTES);
  return packet;
}
