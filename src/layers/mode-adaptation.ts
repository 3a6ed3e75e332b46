// Mode adaptation headers: what DVB-S2 receivers put before each baseband frame they hand on, types L.1 to L.4 of the SatLabs
// recommendation sl_561 (and its S2X use of the modulation byte). Only read and written here; where such headers stand is found by
// whoever looks for baseband headers.
import { NORMAL_KBCH_BYTES, SHORT_KBCH_BYTES } from './baseband-header.js';

/** The type with this many bytes before the baseband header. */
export type ModeAdaptationType = 'L.1' | 'L.2' | 'L.3' | 'L.4';

export type ModeAdaptation = {
  readonly type: ModeAdaptationType;
  /** MODCOD of the frame: 1 to 28 for DVB-S2, from 128 on for S2X. Absent in L.1. */
  readonly modcod?: number;
  readonly pilots?: boolean;
  /** Short FECFRAME; absent in L.1, and for S2X, whose MODCOD says it. */
  readonly short?: boolean;
  /** Es/N0 in dB, in steps of 0.125 from -1 to 30.75 (which also stands for more); absent while the receiver is not locked. */
  readonly esN0?: number;
  /** Counts the frames of this receiver, modulo 256. */
  readonly frameNumber?: number;
};

const SYNC = 0xb8;
const TYPES: Readonly<Record<number, ModeAdaptationType>> = { 0: 'L.1', 2: 'L.2', 3: 'L.4', 4: 'L.3' };

/** How many bytes may stand before a baseband header. */
export const MODE_ADAPTATION_BYTES: readonly number[] = Object.keys(TYPES).map(Number);

/** The type with `headerBytes` bytes, one of `MODE_ADAPTATION_BYTES`. */
export function modeAdaptationType(headerBytes: number): ModeAdaptationType {
  return TYPES[headerBytes]!;
}

/** Whether a header of `headerBytes` bytes may end at `end`: they are there, and begin with the sync byte where the type has one. */
export function mayEndAt(bytes: Uint8Array, end: number, headerBytes: number): boolean {
  const at = end - headerBytes;
  return at >= 0 && (headerBytes === 0 || headerBytes === 3 || bytes[at] === SYNC);
}

/** The DVB-S2 MODCOD that carries baseband frames of `frameBytes` by QPSK, or by its next larger frame; and whether that is short. */
export function qpskModcod(frameBytes: number): { modcod: number; short: boolean } {
  const short = SHORT_KBCH_BYTES.findIndex((bytes) => bytes >= frameBytes);
  if (short >= 0) return { modcod: short + 1, short: true };
  const normal = NORMAL_KBCH_BYTES.findIndex((bytes) => bytes >= frameBytes);
  return { modcod: (normal < 0 ? NORMAL_KBCH_BYTES.length - 1 : normal) + 1, short: false };
}

/**
 * Reads the header that ends where the baseband header begins.
 *
 * @param bytes neither copied nor kept
 * @param at index of the header's first byte
 * @param headerBytes 0, 2, 3 or 4
 * @returns `null` where the sync byte is missing (L.2, L.3), the bytes do not reach, or no type has that many
 */
export function readModeAdaptation(bytes: Uint8Array, at: number, headerBytes: number): ModeAdaptation | null {
  const type = TYPES[headerBytes];
  if (!type || at + headerBytes > bytes.length) return null;
  if (type === 'L.1') return { type };
  const hasSync = type !== 'L.4';
  if (hasSync && bytes[at] !== SYNC) return null;
  const modulation = at + (hasSync ? 1 : 0);
  const header = { type, ...readModulation(bytes[modulation]!) };
  if (type === 'L.2') return header;
  const quality = bytes[modulation + 1]!;
  return { ...header, ...(quality > 0 && { esN0: -1 + (quality - 1) / 8 }), frameNumber: bytes[modulation + 2]! };
}

/** Bit 7: S2X; 6: short frame, or S2X: part of the MODCOD; 5: pilots; 4 to 0: MODCOD, or S2X: part of it. */
function readModulation(byte: number): Pick<ModeAdaptation, 'modcod' | 'pilots' | 'short'> {
  const pilots = (byte & 0x20) !== 0;
  const isSeventhSet = (byte & 0x40) !== 0;
  if ((byte & 0x80) !== 0) return { modcod: 0x80 + ((byte & 0x1f) << 2) + (isSeventhSet ? 2 : 0), pilots };
  return { modcod: byte & 0x1f, pilots, short: isSeventhSet };
}

/** Writes the header; Es/N0 is rounded to the nearest step and kept within what can be said. */
export function writeModeAdaptation(header: ModeAdaptation): Uint8Array {
  const { type, modcod = 0, pilots = false, short = false, esN0, frameNumber = 0 } = header;
  if (type === 'L.1') return new Uint8Array(0);
  const isS2x = modcod >= 0x80;
  const code = isS2x ? 0x80 | ((modcod & 2) << 5) | ((modcod - 0x80) >> 2) : (short ? 0x40 : 0) | modcod;
  const modulation = code | (pilots ? 0x20 : 0);
  const quality = esN0 === undefined ? 0 : Math.min(255, Math.max(1, Math.round((esN0 + 1) * 8) + 1));
  if (type === 'L.2') return Uint8Array.of(SYNC, modulation);
  const rest = [modulation, quality, frameNumber & 255];
  return Uint8Array.from(type === 'L.3' ? [SYNC, ...rest] : rest);
}
