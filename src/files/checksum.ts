// Whole-file checksums, fed piece by piece.
import { createHash } from 'node:crypto';
import { crc32 } from '../bytes/crc.js';
import type { ChecksumAlgorithm } from '../mission/mission.js';

export type Checksum = { update(bytes: Uint8Array): void /** Lower-case hexadecimal. */; digest(): string };

export function startChecksum(algorithm: ChecksumAlgorithm): Checksum {
  if (algorithm === 'crc32') {
    let value = 0;
    return {
      update: (bytes) => {
        value = crc32(bytes, 0, bytes.length, value);
      },
      digest: () => value.toString(16).padStart(8, '0'),
    };
  }
  const hash = createHash(algorithm);
  return { update: (bytes) => hash.update(bytes), digest: () => hash.digest('hex') };
}
