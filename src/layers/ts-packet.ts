// The transport stream packet (ISO/IEC 13818-1, 2.4.3): its header read and written. The hot path in `ts.ts` reads the same
// fields by offset.
import { Parser } from 'binary-parser';
import type { LocatedBuffer } from './located-buffer.js';

export const PACKET_BYTES = 188;
export const SYNC_BYTE = 0x47;
export const NULL_PID = 0x1fff;
/** Payload bytes of a packet without adaptation field. */
export const PAYLOAD_BYTES = 184;

/** What takes packets that have been found in a recording. */
export interface PacketSink {
  /**
   * One packet, `source.bytes[start, start + 188)`, lent for the call.
   *
   * @param sound false where its sync byte or its CRC-8 is wrong
   */
  packet(source: LocatedBuffer, start: number, sound: boolean): void;
}

export type TsHeader = {
  sync: number;
  /** Transport error indicator: the demodulator found an error it could not correct. */
  tei: number;
  /** Payload unit start indicator. */
  pusi: number;
  priority: number;
  pid: number;
  scrambling: number;
  /** 1 payload, 2 adaptation field, 3 both. */
  adaptationControl: number;
  continuity: number;
};

const layout = new Parser()
  .endianess('big')
  .uint8('sync') // 0 always 0x47
  .bit1('tei') // 1 uncorrected error
  .bit1('pusi') // 1 a payload unit starts
  .bit1('priority') // 1
  .bit13('pid') // 1 which stream
  .bit2('scrambling') // 3 0 = clear
  .bit2('adaptationControl') // 3 1 payload, 2 adaptation field, 3 both
  .bit4('continuity'); // 3 counts packets with payload of one PID

/** Reads the header at the start of `packet`, at least 4 bytes. */
export function readTsHeader(packet: Uint8Array): TsHeader {
  return layout.parse(packet) as TsHeader;
}

/** The PID of the packet at `start`. */
export function pidAt(bytes: Uint8Array, start: number): number {
  return ((bytes[start + 1]! & 0x1f) << 8) | bytes[start + 2]!;
}

/**
 * Writes one packet with payload; an adaptation field of stuffing fills what the payload leaves.
 *
 * @throws RangeError when the payload is empty or longer than 184 bytes
 */
export function writeTsPacket(
  { pid, pusi, continuity }: Pick<TsHeader, 'pid' | 'pusi' | 'continuity'>,
  payload: Uint8Array,
): Uint8Array {
  const { length } = payload;
  if (length < 1 || length > PAYLOAD_BYTES) throw new RangeError(`a payload is 1 to 184 bytes, got ${length}`);
  const packet = new Uint8Array(PACKET_BYTES).fill(0xff);
  const isFull = length === PAYLOAD_BYTES;
  packet.set([SYNC_BYTE, (pusi << 6) | (pid >> 8), pid & 255, (isFull ? 0x10 : 0x30) | continuity]);
  if (!isFull) {
    // The length byte, then flags, all clear, where there is room for them.
    packet[4] = PAYLOAD_BYTES - 1 - length;
    if (packet[4] > 0) packet[5] = 0;
  }
  packet.set(payload, PACKET_BYTES - length);
  return packet;
}
