// The baseband scrambler (EN 302 307-1, 5.2.2; polynomial and preset from memory): 1 + x^14 + x^15, loaded anew for each baseband
// frame, added to all of it. Recordings seldom have it; then headers are read through it where they stand.
import { dataEndAt, HEADER_BYTES, isHeaderAt, isTellingAt, KBCH_BYTES, kindAt } from './baseband-header.js';

/** Stages 1 to 15 of the register at the start of a frame. */
const PRESET = '100101010000000';

/** What is added to a baseband frame, as long as the longest one. */
export const SCRAMBLER_SEQUENCE: Uint8Array = makeSequence(Math.max(...KBCH_BYTES));

/** The sum of stages 14 and 15 leaves, most significant bit first, and enters at stage 1. */
function makeSequence(length: number): Uint8Array {
  const sequence = new Uint8Array(length);
  let register = Number.parseInt([...PRESET].reverse().join(''), 2);
  for (let n = 0; n < 8 * length; n++) {
    const bit = ((register >> 13) ^ (register >> 14)) & 1;
    register = ((register << 1) | bit) & 0x7fff;
    sequence[n >> 3]! |= bit << (7 - (n & 7));
  }
  return sequence;
}

/** Adds the sequence in place to the frame that starts at `start`, of which there is what lies before `end`: scrambles or undoes it. */
export function addScrambler(bytes: Uint8Array, start: number, end: number): void {
  const size = Math.min(end - start, SCRAMBLER_SEQUENCE.length);
  for (let i = 0; i < size; i++) bytes[start + i]! ^= SCRAMBLER_SEQUENCE[i]!;
}

/** What a search asks of headers where they stand, ten bytes of each being there; see baseband-header.ts. */
export type HeaderReader = {
  isHeaderAt(bytes: Uint8Array, at: number): boolean;
  dataEndAt(bytes: Uint8Array, at: number): number;
  kindAt(bytes: Uint8Array, at: number): number;
  isTellingAt(bytes: Uint8Array, at: number): boolean;
};

export const PLAIN_HEADERS: HeaderReader = { isHeaderAt, dataEndAt, kindAt, isTellingAt };

/** Headers that are still scrambled. */
export const SCRAMBLED_HEADERS: HeaderReader = {
  // DFL is whole bytes: that is seen without undoing all.
  isHeaderAt: (bytes, at) =>
    ((bytes[at + 5]! ^ SCRAMBLER_SEQUENCE[5]!) & 7) === 0 && isHeaderAt(descrambled(bytes, at), 0),
  dataEndAt: (bytes, at) => at + dataEndAt(descrambled(bytes, at), 0),
  kindAt: (bytes, at) => kindAt(descrambled(bytes, at), 0),
  isTellingAt: (bytes, at) => isTellingAt(descrambled(bytes, at), 0),
};

const header = new Uint8Array(HEADER_BYTES);

function descrambled(bytes: Uint8Array, at: number): Uint8Array {
  for (let i = 0; i < HEADER_BYTES; i++) header[i] = bytes[at + i]! ^ SCRAMBLER_SEQUENCE[i]!;
  return header;
}
