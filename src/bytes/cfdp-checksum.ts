// The checksums a file delivery may carry (CCSDS 727.0-B-5, 4.2; the type numbers are those of the SANA registry, from memory):
// 0 modular, 1 Proximity-1 CRC-32, 2 CRC-32C, 3 CRC-32 (ISO-HDLC), 15 null. All are 32 bits wide.
// None of them sees a hole of zero bytes in the modular case: whether every byte arrived must be known before a match counts.
import { crc32, makeCrc } from './crc.js';
import { CRC_CATALOGUE, type CrcParameters } from './crc-catalogue.js';

export const CHECKSUM_TYPE = { modular: 0, proximity1: 1, crc32c: 2, crc32: 3, null: 15 } as const;

/** A checksum fed with a file from its first byte to its last, in pieces of any size. Keeps nothing of the bytes. */
export interface CfdpChecksum {
  update(bytes: Uint8Array): void;
  /** The checksum of what was fed so far, unsigned, as an EOF PDU carries it. */
  digest(): number;
}

/** The sum does not depend on the order: each piece may also be added at its place, each byte of the file once. */
export interface ModularChecksum extends CfdpChecksum {
  /** @param offset of the first byte in the file; does not move the place where `update` goes on */
  addAt(offset: number, bytes: Uint8Array): void;
}

/**
 * Starts a checksum of the given type.
 *
 * @returns `null` for a type that is not known: the file then stays unproven
 */
export function startCfdpChecksum(type: typeof CHECKSUM_TYPE.modular): ModularChecksum;
export function startCfdpChecksum(type: number): CfdpChecksum | null;
export function startCfdpChecksum(type: number): CfdpChecksum | null {
  switch (type) {
    case CHECKSUM_TYPE.modular:
      return startModular();
    case CHECKSUM_TYPE.proximity1:
      return startCrc(CRC_CATALOGUE['CRC-32/PROXIMITY-1']);
    case CHECKSUM_TYPE.crc32c:
      return startCrc(CRC_CATALOGUE['CRC-32/ISCSI']);
    case CHECKSUM_TYPE.crc32: {
      let value = 0;
      return {
        update: (bytes) => {
          value = crc32(bytes, 0, bytes.length, value);
        },
        digest: () => value,
      };
    }
    case CHECKSUM_TYPE.null:
      return { update: () => undefined, digest: () => 0 };
    default:
      return null;
  }
}

/** Sum modulo 2^32 of big-endian words of four bytes, aligned to the beginning of the file; what a word lacks counts as zeros. */
function startModular(): ModularChecksum {
  let sum = 0;
  let position = 0;
  const addAt = (offset: number, bytes: Uint8Array): void => {
    const { length } = bytes;
    const addByte = (i: number): void => {
      sum = (sum + (bytes[i]! << (8 * (3 - ((offset + i) % 4))))) | 0;
    };
    let i = 0;
    for (; i < length && (offset + i) % 4 !== 0; i++) addByte(i);
    for (; i + 4 <= length; i += 4) {
      sum = (sum + ((bytes[i]! << 24) | (bytes[i + 1]! << 16) | (bytes[i + 2]! << 8) | bytes[i + 3]!)) | 0;
    }
    for (; i < length; i++) addByte(i);
  };
  return {
    addAt,
    update: (bytes) => {
      addAt(position, bytes);
      position += bytes.length;
    },
    digest: () => sum >>> 0,
  };
}

/** The register so far is the initial value of the CRC over the next piece; its tables are made once. */
function startCrc(parameters: CrcParameters): CfdpChecksum {
  const { init, reflected, xorout } = parameters;
  let register = init;
  return {
    update: (bytes) => {
      const value = makeCrc({ ...parameters, init: register, xorout: 0 })(bytes, 0, bytes.length);
      register = reflected ? reverse32(value) : value;
    },
    digest: () => ((reflected ? reverse32(register) : register) ^ xorout) >>> 0,
  };
}

function reverse32(value: number): number {
  let reversed = 0;
  for (let bit = 0; bit < 32; bit++) reversed = (reversed << 1) | ((value >>> bit) & 1);
  return reversed >>> 0;
}
