// The baseband header of DVB-S2 (EN 302 307-1, 5.1.6), read and written: ten bytes that tell the kind of stream, the length of
// the data field and where in it the first user packet starts.
import { Parser } from 'binary-parser';
import { makeCrc } from '../bytes/crc.js';
import { CRC_CATALOGUE } from '../bytes/crc-catalogue.js';

export const HEADER_BYTES = 10;
/** SYNCD where no user packet starts in the data field. */
export const NO_SYNC = 65535;
/** Kbch - 80 of the longest frame. */
const MAX_DFL_BITS = 58112;

/** Kbch / 8 in bytes for the code rates 1/4, 1/3, 2/5, 1/2, 3/5, 2/3, 3/4, 4/5, 5/6, 8/9 and 9/10, EN 302 307-1 table 5a. */
export const NORMAL_KBCH_BYTES: readonly number[] = [2001, 2676, 3216, 4026, 4836, 5380, 6051, 6456, 6730, 7184, 7274];

/** The same for short frames, which have no 9/10: table 5b. */
export const SHORT_KBCH_BYTES: readonly number[] = [384, 654, 789, 879, 1194, 1329, 1464, 1554, 1644, 1779];

/** All baseband frame sizes in bytes, rising. */
export const KBCH_BYTES: readonly number[] = [...SHORT_KBCH_BYTES, ...NORMAL_KBCH_BYTES];

/** TS/GS, the two highest bits of MATYPE-1. */
export const STREAM_TYPE = { packetized: 0, continuous: 1, hem: 2, transport: 3 } as const;

/** A baseband header in the standard's own units: `upl`, `dfl` and `syncd` count bits. */
export type BasebandHeader = {
  matype1: number;
  matype2: number;
  upl: number;
  dfl: number;
  sync: number;
  syncd: number;
  crc8: number;
};

const layout = new Parser()
  .endianess('big')
  .uint8('matype1') // 0 stream format, one input or several, CCM or ACM, ISSY, null-packet deletion, roll-off
  .uint8('matype2') // 1 input stream identifier, when there are several
  .uint16('upl') // 2 user packet length, bits; 0 for a continuous stream
  .uint16('dfl') // 4 data field length, bits
  .uint8('sync') // 6 copy of the user packet's sync byte
  .uint16('syncd') // 7 bits to the first user packet that starts here; 65535 = none
  .uint8('crc8'); // 9 over bytes 0 to 8

const crc8 = makeCrc(CRC_CATALOGUE['CRC-8/DVB-S2']);

/**
 * Reads the baseband header at the start of `frame`.
 *
 * @param frame descrambled, at least 10 bytes; not copied, not kept
 * @returns the fields, or `null` where the CRC-8 fails
 * @throws RangeError when `frame` is shorter: the caller's mistake, not damage
 * @see EN 302 307-1, 5.1.6
 */
export function readBasebandHeader(frame: Uint8Array): BasebandHeader | null {
  if (frame.length < HEADER_BYTES) throw new RangeError(`a baseband header is 10 bytes, got ${frame.length}`);
  if (crc8(frame, 0, 9) !== frame[9]) return null;
  return layout.parse(frame) as BasebandHeader;
}

/** Writes the 10 header bytes, the CRC-8 computed. */
export function writeBasebandHeader(header: Omit<BasebandHeader, 'crc8'>): Uint8Array {
  const { matype1, matype2, upl, dfl, sync, syncd } = header;
  const bytes = new Uint8Array(HEADER_BYTES);
  bytes.set([matype1, matype2, upl >> 8, upl & 255, dfl >> 8, dfl & 255, sync, syncd >> 8, syncd & 255]);
  bytes[9] = crc8(bytes, 0, 9);
  return bytes;
}

/**
 * Whether a header stands at `bytes[at]`, all ten bytes of it there: CRC-8 right and the fields possible. The CRC alone passes once
 * in 256, and for ten zero bytes. Reads by offset what `layout` states; a test holds the two equal.
 */
export function isHeaderAt(bytes: Uint8Array, at: number): boolean {
  const dfl = (bytes[at + 4]! << 8) | bytes[at + 5]!;
  if ((dfl & 7) !== 0 || dfl > MAX_DFL_BITS) return false;
  const syncd = (bytes[at + 7]! << 8) | bytes[at + 8]!;
  // An empty data field has nothing to point at: 0 stands there as well.
  if (syncd !== NO_SYNC && syncd >= Math.max(1, dfl)) return false;
  const upl = (bytes[at + 2]! << 8) | bytes[at + 3]!;
  const type = bytes[at]! >> 6;
  if (type === STREAM_TYPE.continuous ? upl !== 0 : type !== STREAM_TYPE.hem && (upl === 0 || (upl & 7) !== 0)) {
    return false;
  }
  return crc8(bytes, at, at + 9) === bytes[at + 9];
}

/** Index after the data field of the frame whose header stands at `at`. */
export function dataEndAt(bytes: Uint8Array, at: number): number {
  return at + HEADER_BYTES + (((bytes[at + 4]! << 8) | bytes[at + 5]!) >> 3);
}

/** Index of the first unit that starts in the data field of the frame at `at`; -1 when none does. */
export function firstUnitAt(bytes: Uint8Array, at: number): number {
  const syncd = (bytes[at + 7]! << 8) | bytes[at + 8]!;
  return syncd === NO_SYNC ? -1 : at + HEADER_BYTES + (syncd >> 3);
}

/** Length and sync byte of the user packets, as UPL and SYNC state them; the sync byte is 0 where they have none. */
export function userPacketAt(bytes: Uint8Array, at: number): { packetBytes: number; sync: number } {
  return { packetBytes: ((bytes[at + 2]! << 8) | bytes[at + 3]!) >> 3, sync: bytes[at + 6]! };
}

/** SYNC of a continuous stream whose data fields end with a CRC-32 over the rest of them: EN 301 545-2. */
export const SYNC_CRC32 = 1;

export function hasCrc32At(bytes: Uint8Array, at: number): boolean {
  return bytes[at + 6] === SYNC_CRC32 && bytes[at]! >> 6 === STREAM_TYPE.continuous;
}

/** What successive headers of one modulator input share, in one number: MATYPE-1 and UPL, whose bytes GSE-HEM uses otherwise. */
export function kindAt(bytes: Uint8Array, at: number): number {
  const matype1 = bytes[at]!;
  const upl = matype1 >> 6 === STREAM_TYPE.hem ? 0 : (bytes[at + 2]! << 8) | bytes[at + 3]!;
  return (matype1 << 16) | upl;
}

/** Whether the header has the zero bits, or a UPL, to be known by: with ISSY in bytes 2, 3 and 6, GSE-HEM says too little. */
export function isTellingAt(bytes: Uint8Array, at: number): boolean {
  return bytes[at]! >> 6 !== STREAM_TYPE.hem || (bytes[at + 2]! | bytes[at + 3]! | bytes[at + 6]!) === 0;
}

/** Which stream the frame belongs to, in one number: TS/GS, whether it is the only one, and else its identifier (ISI). */
export function streamAt(bytes: Uint8Array, at: number): number {
  const single = (bytes[at]! >> 5) & 1;
  return ((bytes[at]! >> 6) << 9) | (single << 8) | (single ? 0 : bytes[at + 1]!);
}

/** A number of `streamAt` in words. */
export function streamName(stream: number): string {
  return `${STREAM_NAMES[stream >> 9]}${stream & 256 ? '' : `, ISI ${stream & 255}`}`;
}

const STREAM_NAMES = ['generic packetised', 'generic continuous', 'GSE-HEM', 'transport stream'] as const;
