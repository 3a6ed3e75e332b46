// The primary header of an AOS transfer frame (CCSDS 732.0-B), read and written. Layout and ranges from memory, compared with the
// vectors of test/vectors/tm-aos.json.
import { Parser } from 'binary-parser';

export const AOS_HEADER_BYTES = 6;
/** The virtual channel of frames that carry only idle data. */
export const IDLE_CHANNEL = 63;

/** The header's fields as they are sent. `scid` has ten bits since issue 4, whose two highest were reserved, and 0, before. */
export type AosHeader = {
  version: number;
  scid: number;
  vcid: number;
  count: number;
  replay: number;
  usage: number;
  cycle: number;
};

const layout = new Parser()
  .endianess('big')
  .bit2('version') // 0 01
  .bit8('scidLow')
  .bit6('vcid')
  .bit24('count') // 2 virtual channel frame count
  .bit1('replay') // 5
  .bit1('usage') // the cycle counts on where the count wraps
  .bit2('scidHigh')
  .bit4('cycle');

/**
 * Reads the header at the start of `frame`.
 *
 * @param frame at least 6 bytes; not kept
 * @throws RangeError when `frame` is shorter
 */
export function readAosHeader(frame: Uint8Array): AosHeader {
  if (frame.length < AOS_HEADER_BYTES) throw new RangeError(`an AOS primary header is 6 bytes, got ${frame.length}`);
  const { scidLow, scidHigh, ...rest } = layout.parse(frame) as Omit<AosHeader, 'scid'> & {
    scidLow: number;
    scidHigh: number;
  };
  return { ...rest, scid: scidHigh * 256 + scidLow };
}

/** Writes the 6 header bytes. */
export function writeAosHeader({ version, scid, vcid, count, replay, usage, cycle }: AosHeader): Uint8Array {
  const identification = (version << 14) | ((scid & 0xff) << 6) | vcid;
  const signalling = (replay << 7) | (usage << 6) | ((scid >> 8) << 4) | cycle;
  return Uint8Array.of(identification >> 8, identification, count >> 16, count >> 8, count, signalling);
}

/** Virtual channel frame count with the cycle above it, where that is used: 24 or 28 bits. */
export const aosCountAt = (bytes: Uint8Array, at: number): number => {
  const count = (bytes[at + 2]! << 16) | (bytes[at + 3]! << 8) | bytes[at + 4]!;
  return usesCycleAt(bytes, at) ? ((bytes[at + 5]! & 15) << 24) | count : count;
};
export const usesCycleAt = (bytes: Uint8Array, at: number): boolean => (bytes[at + 5]! & 0x40) !== 0;
export const isReplayAt = (bytes: Uint8Array, at: number): boolean => bytes[at + 5]! >= 0x80;
export const aosScidAt = (bytes: Uint8Array, at: number): number =>
  ((bytes[at + 5]! & 0x30) << 4) | ((bytes[at]! & 0x3f) << 2) | (bytes[at + 1]! >> 6);
export const aosVcidAt = (bytes: Uint8Array, at: number): number => bytes[at + 1]! & 0x3f;
