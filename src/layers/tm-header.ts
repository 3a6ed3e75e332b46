// The primary header of a TM transfer frame (CCSDS 132.0-B), read and written. Layout from memory, compared with the vectors of
// test/vectors/tm-aos.json.
import { Parser } from 'binary-parser';

export const TM_HEADER_BYTES = 6;

/** The header's fields as they are sent. */
export type TmHeader = {
  version: number;
  scid: number;
  vcid: number;
  /** 1 = an operational control field stands at the end of the data field. */
  ocf: number;
  masterCount: number;
  count: number;
  secondaryHeader: number;
  /** 1 = not packets but data of the mission's own (VCA); the pointer then means nothing. */
  sync: number;
  packetOrder: number;
  segmentLength: number;
  firstHeader: number;
};

const layout = new Parser()
  .endianess('big')
  .bit2('version') // 0 00
  .bit10('scid')
  .bit3('vcid')
  .bit1('ocf')
  .uint8('masterCount') // 2 master channel frame count
  .uint8('count') // 3 virtual channel frame count
  .bit1('secondaryHeader') // 4
  .bit1('sync')
  .bit1('packetOrder')
  .bit2('segmentLength') // 11 where sync is 0
  .bit11('firstHeader'); // 2047 no packet starts, 2046 only idle data

/**
 * Reads the header at the start of `frame`.
 *
 * @param frame at least 6 bytes; not kept
 * @throws RangeError when `frame` is shorter
 */
export function readTmHeader(frame: Uint8Array): TmHeader {
  if (frame.length < TM_HEADER_BYTES) throw new RangeError(`a TM primary header is 6 bytes, got ${frame.length}`);
  return layout.parse(frame) as TmHeader;
}

/** Writes the 6 header bytes. */
export function writeTmHeader(header: TmHeader): Uint8Array {
  const identification = (header.version << 14) | (header.scid << 4) | (header.vcid << 1) | header.ocf;
  const status =
    (header.secondaryHeader << 15) |
    (header.sync << 14) |
    (header.packetOrder << 13) |
    (header.segmentLength << 11) |
    header.firstHeader;
  return Uint8Array.of(identification >> 8, identification, header.masterCount, header.count, status >> 8, status);
}

export const tmScidAt = (bytes: Uint8Array, at: number): number => ((bytes[at]! & 0x3f) << 4) | (bytes[at + 1]! >> 4);
export const tmVcidAt = (bytes: Uint8Array, at: number): number => (bytes[at + 1]! >> 1) & 7;
export const hasOcfAt = (bytes: Uint8Array, at: number): boolean => (bytes[at + 1]! & 1) !== 0;
export const hasTmSecondaryHeaderAt = (bytes: Uint8Array, at: number): boolean => bytes[at + 4]! >= 0x80;
export const isSyncAt = (bytes: Uint8Array, at: number): boolean => (bytes[at + 4]! & 0x40) !== 0;
export const firstHeaderAt = (bytes: Uint8Array, at: number): number => ((bytes[at + 4]! & 7) << 8) | bytes[at + 5]!;
