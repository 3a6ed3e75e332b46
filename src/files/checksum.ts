// Whole-file checksums, fed piece by piece: those of catalogues and descriptors, and those of file deliveries.
import { createHash } from 'node:crypto';
import { CHECKSUM_TYPE, startCfdpChecksum } from '../bytes/cfdp-checksum.js';
import type { ChecksumAlgorithm } from '../mission/mission.js';

export type Checksum = {
  update(bytes: Uint8Array): void;
  /**
   * Lower-case hexadecimal.
   *
   * @param expected what it should be; told where several checksums may be meant, and one of them is just that
   */
  digest(expected?: string): string;
};

/** Checksums of 32 bits (CCSDS 727.0-B-5, 4.2; types of the SANA registry, from memory), by their names here. */
const DELIVERED = {
  modular: [CHECKSUM_TYPE.modular],
  proximity1: [CHECKSUM_TYPE.proximity1],
  crc32c: [CHECKSUM_TYPE.crc32c],
  crc32: [CHECKSUM_TYPE.crc32],
  unstated: [CHECKSUM_TYPE.modular, CHECKSUM_TYPE.crc32, CHECKSUM_TYPE.crc32c, CHECKSUM_TYPE.proximity1],
} as const;

export function startChecksum(algorithm: ChecksumAlgorithm): Checksum {
  if (algorithm in DELIVERED) return startDelivered(DELIVERED[algorithm as keyof typeof DELIVERED]);
  const hash = createHash(algorithm);
  return { update: (bytes) => hash.update(bytes), digest: () => hash.digest('hex') };
}

function startDelivered(types: readonly number[]): Checksum {
  const all = types.map((type) => startCfdpChecksum(type)!);
  return {
    update: (bytes) => {
      for (const checksum of all) checksum.update(bytes);
    },
    digest: (expected) => {
      const values = all.map((checksum) => checksum.digest().toString(16).padStart(8, '0'));
      return values.find((value) => value === expected) ?? values[0]!;
    },
  };
}

/**
 * The name here of a checksum type of a file delivery.
 *
 * @param type `null` where it was not received
 * @returns `undefined` for a type that is not known or proves nothing
 */
export function deliveredAlgorithm(type: number | null): ChecksumAlgorithm | undefined {
  if (type === null) return 'unstated';
  const names = Object.keys(DELIVERED) as (keyof typeof DELIVERED)[];
  return names.find((name) => DELIVERED[name].length === 1 && DELIVERED[name][0] === type);
}
