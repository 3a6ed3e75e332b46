// Seeded damage to bytes, as links, recorders and disks do it: for fuzz tests.
import { seededRandom } from '../../src/rehearsal/random.js';

export type Random = () => number;

/** A generator of numbers in [0, 1) for one purpose. */
export function randomFor(seed: number, purpose: string): Random {
  const random = seededRandom(seed, purpose);
  return () => random.float();
}

/** One to four random edits: flips, cuts, zeroed or repeated stretches, insertions, stretches swapped. */
export function mutate(bytes: Uint8Array, random: Random): Buffer {
  let result = Buffer.from(bytes);
  const at = (): number => Math.floor(random() * result.length);
  const edits = 1 + Math.floor(random() * 4);
  for (let i = 0; i < edits && result.length > 0; i++) {
    const from = at();
    const size = 1 + Math.floor(random() ** 3 * Math.min(5000, result.length - from));
    const piece = Buffer.from(result.subarray(from, from + size));
    switch (Math.floor(random() * 8)) {
      case 0:
        for (let k = 0; k < 1 + result.length / 1000; k++) result[at()]! ^= 1 << Math.floor(random() * 8);
        break;
      case 1:
        result[from]! ^= 1 + Math.floor(random() * 255);
        break;
      case 2:
        result = result.subarray(0, from);
        break;
      case 3:
        result = Buffer.concat([result.subarray(0, from), result.subarray(from + size)]);
        break;
      case 4:
        result.fill(0, from, from + size);
        break;
      case 5:
        result = Buffer.concat([
          result.subarray(0, from),
          Buffer.from(piece.map(() => Math.floor(random() * 256))),
          result.subarray(from),
        ]);
        break;
      case 6:
        result = Buffer.concat([result.subarray(0, from), piece, result.subarray(from)]);
        break;
      default:
        result = Buffer.concat([result.subarray(from), result.subarray(0, from)]);
    }
  }
  return result;
}
