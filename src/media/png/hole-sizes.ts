// What tells how many inflated bytes a hole between two pieces of a PNG holds: how its neighbourhood is packed, and how well the rows
// on both sides of it go together.
import { markBits, type Piece } from './find-pieces.js';

/** Fewer bytes that are known above each other say nothing. */
const leastCompared = 200;

/** Mean difference of the bytes of the second piece to those of the first that would stand above them; `null` where too few would. */
export function unlikeness(first: Piece, second: Piece, rowBytes: number, gap: number): number | null {
  const [above, below] = [first.tail, second.head];
  let rows = Math.floor(gap / rowBytes) + 1;
  if (rows * rowBytes - gap < rowBytes / 3) rows++;
  const shift = above.bytes.length + gap - rows * rowBytes;
  let [sum, count] = [0, 0];
  const end = Math.min(below.bytes.length, above.bytes.length - shift);
  for (let i = Math.max(0, -shift); i < end; i++) {
    if (!below.known[i] || !above.known[i + shift]) continue;
    sum += Math.abs(below.bytes[i]! - above.bytes[i + shift]!);
    count++;
  }
  return count < leastCompared ? null : sum / count;
}

/** Least and most inflated bytes in the hole between two pieces. */
export function holeSizes(first: Piece, second: Piece): [least: number, most: number] {
  const bits = Math.max(0, second.bit - first.endBit);
  const [a, b] = [likeIt(first, bits, true), likeIt(second, bits, false)];
  return [Math.floor(0.8 * Math.min(a[0], b[0])), Math.ceil(1.25 * Math.max(a[1], b[1]))];
}

/** Least and most that stretches of so many bits inflate to, of the last ones or the first ones of the piece. */
function likeIt({ marks, length, bit, endBit }: Piece, bits: number, last: boolean): [number, number] {
  const count = Math.max(1, Math.round(bits / markBits));
  const near = last ? marks.slice(-24 - count) : marks.slice(0, 24 + count);
  if (near.length <= count + 2) {
    const expected = (length / Math.max(1, endBit - bit)) * bits;
    return [0.7 * expected, 1.4 * expected];
  }
  let [least, most] = [Number.POSITIVE_INFINITY, 0];
  for (let i = 0; i + count < near.length; i++) {
    const bytes = ((near[i + count]! - near[i]!) * bits) / (count * markBits);
    [least, most] = [Math.min(least, bytes), Math.max(most, bytes)];
  }
  return [least, most];
}
