// Finds length-prefixed NAL units (ISO/IEC 14496-15) in media data whose index is lost: a chain of lengths, each leading
// to the next believable unit. Between the units of the picture there may be sound, which is stepped over byte by byte.
import type { Codec } from './access-units.js';
import type { HoledBytes } from './holed-bytes.js';
import type { Piece } from './nal-units.js';

/** Longer units are not believed. */
const unitLimit = 32 << 20;

/** Units, and holes, of `[start, end)`; 4-byte lengths, as practically all writers use (from memory). */
export function* scanMediaData<Slice extends { readonly first: boolean }>(
  data: HoledBytes,
  start: number,
  end: number,
  codec: Codec<Slice>,
): Generator<Piece> {
  let hole = 0;
  let inChain = true;
  for (let at = start; at < end; ) {
    const known = data.nextKnown(at);
    if (known > at) {
      hole += Math.min(end, known) - at;
      at = known;
      inChain = false;
      continue;
    }
    const unitEnd = believableUnit(data, at, end, codec, inChain);
    if (unitEnd === null) {
      // Inside a broken chain every byte may belong to a lost unit; what is stepped over after a hole counts as lost.
      if (hole > 0) hole++;
      inChain = false;
      at++;
      continue;
    }
    if (hole > 0) yield { hole };
    hole = 0;
    const unit = at + 4;
    const knownEnd = Math.min(unitEnd, data.knownEnd(unit));
    yield { start: unit, end: unitEnd, knownEnd, whole: knownEnd === unitEnd };
    inChain = true;
    at = unitEnd;
  }
  if (hole > 0) yield { hole };
}

/** @returns where the unit whose length stands at `at` ends, or `null` where none does */
function believableUnit<Slice extends { readonly first: boolean }>(
  data: HoledBytes,
  at: number,
  end: number,
  codec: Codec<Slice>,
  inChain: boolean,
): number | null {
  const length = data.uint(at, 4);
  if (length === null || length < codec.headerBytes || length > unitLimit || at + 4 + length > end) return null;
  const start = at + 4;
  const unitEnd = start + length;
  const knownEnd = Math.min(unitEnd, data.knownEnd(start));
  const bytes = data.bytes.subarray(start, knownEnd);
  if (bytes.length < codec.headerBytes || (bytes[0]! & 0x80) !== 0) return null;
  const role = codec.role(bytes);
  if (role === 'other') return null;
  // 7.4.1 of both standards: no unit ends in a zero byte or holds two zeros followed by 0, 1 or 2.
  if (knownEnd === unitEnd && bytes.at(-1) === 0) return null;
  if ((role === 'slice' && codec.readSlice(bytes) === null) || hasForbiddenZeros(bytes)) return null;
  if (role === 'slice') return unitEnd;
  // Others say little about themselves: the next one must follow, unless they stand where one is due.
  return inChain || leadsOn(data, unitEnd, end, codec) ? unitEnd : null;
}

function leadsOn<Slice extends { readonly first: boolean }>(
  data: HoledBytes,
  at: number,
  end: number,
  codec: Codec<Slice>,
): boolean {
  const length = data.uint(at, 4);
  if (length === null || length < codec.headerBytes || at + 4 + length > end) return false;
  const known = data.bytes.subarray(at + 4, Math.min(at + 4 + length, data.knownEnd(at + 4)));
  if (known.length < codec.headerBytes || (known[0]! & 0x80) !== 0) return false;
  const role = codec.role(known);
  return role === 'slice' ? codec.readSlice(known) !== null : role !== 'other' && !hasForbiddenZeros(known);
}

function hasForbiddenZeros(bytes: Buffer): boolean {
  for (let at = bytes.indexOf(twoZeros); at >= 0; at = bytes.indexOf(twoZeros, at + 1)) {
    const next = bytes[at + 2];
    if (next !== undefined && next < 3) return true;
  }
  return false;
}

const twoZeros = Buffer.from([0, 0]);
