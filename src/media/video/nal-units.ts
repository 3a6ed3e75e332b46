// Cuts a stream into NAL units, hole-aware: byte streams with start codes (H.264 and H.265, annex B) and length-prefixed
// units (ISO/IEC 14496-15). What lies between the units that can be read is a hole: bytes of which nobody can say how
// many units they were.
import type { HoledBytes } from './holed-bytes.js';

/** Positions in the stream's bytes; `end`, exclusive, is where it would end were it whole. */
export type NalUnit = {
  readonly start: number;
  readonly end: number;
  /** End of the part that arrived, counted from `start`. */
  readonly knownEnd: number;
  readonly whole: boolean;
};
export type Hole = { readonly hole: number };
export type Piece = NalUnit | Hole;

const startCode = Buffer.from([0, 0, 1]);

/** @param headerBytes of a NAL unit: 1 in H.264, 2 in H.265; a unit without its header is part of a hole */
export function* splitByteStream(data: HoledBytes, headerBytes: number): Generator<Piece> {
  let lost = data.nextKnown(0);
  for (let from = lost; from < data.length; ) {
    const runEnd = data.knownEnd(from);
    const run = data.bytes.subarray(from, runEnd);
    let at = run.indexOf(startCode);
    // What comes before the first start code of a run ends a unit whose beginning is lost.
    const tail = at < 0 ? run.length : at;
    lost += from === 0 && isZero(run.subarray(0, tail)) ? 0 : tail;
    while (at >= 0) {
      const start = at + startCode.length;
      at = run.indexOf(startCode, start);
      let end = at < 0 ? run.length : at;
      const cut = at < 0 && runEnd < data.length;
      if (!cut) while (end > start && run[end - 1] === 0) end--;
      if (end - start < headerBytes) {
        lost += cut ? end - start : 0;
        continue;
      }
      if (lost > 0) yield { hole: lost };
      lost = 0;
      yield { start: from + start, end: from + end, knownEnd: from + end, whole: !cut };
    }
    from = data.nextKnown(runEnd);
    lost += from - runEnd;
  }
  if (lost > 0) yield { hole: lost };
}

/**
 * Units of `[start, end)`, each behind its big-endian length of `lengthBytes`. The chain ends at a length that is
 * unknown or impossible: the rest is a hole.
 */
export function* splitLengthPrefixed(
  data: HoledBytes,
  start: number,
  end: number,
  lengthBytes: number,
  headerBytes: number,
): Generator<Piece> {
  let at = start;
  while (at < end) {
    const length = data.uint(at, lengthBytes);
    const unit = at + lengthBytes;
    if (length === null || length < headerBytes || unit + length > end) {
      yield { hole: end - at };
      return;
    }
    const next = unit + length;
    const knownEnd = Math.min(next, data.knownEnd(unit));
    if (knownEnd - unit < headerBytes) yield { hole: next - at };
    else yield { start: unit, end: next, knownEnd, whole: knownEnd === next };
    at = next;
  }
}

function isZero(bytes: Uint8Array): boolean {
  return bytes.every((byte) => byte === 0);
}
