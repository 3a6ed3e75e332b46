// The chunks of a PNG with holes (PNG specification, third edition, 5.3): all before the image data, and the image data joined. Where a
// hole took the beginning of a chunk, writers' habit of equal sizes tells where the next one is (common practice).
import { HoledBytes } from '../video/holed-bytes.js';

export type ImageData = {
  /** Signature and chunks before the first IDAT. */
  readonly head: Buffer;
  /** What the IDAT chunks hold: a zlib stream. */
  readonly data: HoledBytes;
};

/**
 * @param file what its IDAT chunks hold is moved to one place in it: the image data is nearly all of a file, and may be large
 * @returns `null` where not all before the image data arrived, or none begins
 */
export function readImageData(file: HoledBytes): ImageData | null {
  let at = 8;
  while (file.text(at + 4, 4) !== 'IDAT') {
    const length = file.uint(at, 4);
    if (length === null || !file.isKnown(at, at + 12 + length)) return null;
    at += 12 + length;
  }
  const head = file.bytes.subarray(0, at);
  const usual = file.uint(at, 4);
  if (usual === null || !file.isKnown(0, at)) return null;
  const parts: [number, number][] = [];
  while (at + 12 < file.length) {
    const [length, type] = [file.uint(at, 4), file.text(at + 4, 4)];
    if (length !== null && type !== null && type !== 'IDAT') break;
    let next = at + 12 + (length ?? usual);
    if (length === null || type === null) {
      // Where what is due next is not there, the size was another one: on at the next chunk that can be found.
      const following = file.text(next + 4, 4);
      if (following !== null && following !== 'IDAT' && following !== 'IEND') {
        next = nextChunk(file, at + 12) ?? file.length;
      } else if (next + 12 > file.length) next = file.length - 12;
    }
    parts.push([at + 8, Math.min(next - 4, file.length)]);
    at = next;
  }
  return { head, data: join(file, parts) };
}

function nextChunk(file: HoledBytes, from: number): number | null {
  for (let run = file.nextKnown(from); run < file.length; run = file.nextKnown(file.knownEnd(run))) {
    const known = file.bytes.subarray(run, file.knownEnd(run));
    for (const type of ['IDAT', 'IEND']) {
      const found = known.indexOf(type, 4, 'latin1');
      if (found >= 4) return run + found - 4;
    }
  }
  return null;
}

function join(file: HoledBytes, parts: readonly (readonly [number, number])[]): HoledBytes {
  const gaps: [number, number][] = [];
  let length = 0;
  for (const [start, end] of parts) {
    for (let run = start; run < end; ) {
      const hole = Math.min(end, file.knownEnd(run));
      run = Math.min(end, file.nextKnown(hole));
      if (run > hole) gaps.push([length + hole - start, length + run - start]);
    }
    length += end - start;
  }
  const first = parts[0]?.[0] ?? 0;
  let to = first;
  for (const [start, end] of parts) to += file.bytes.copy(file.bytes, to, start, end);
  return new HoledBytes(file.bytes.subarray(first, first + length), gaps);
}
