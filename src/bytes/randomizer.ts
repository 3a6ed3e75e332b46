// The pseudo-random sequences of CCSDS 131.0-B, which a sender adds to each transfer frame and a receiver adds again: the legacy
// one of every issue up to B-3, x^8+x^7+x^5+x^3+1 from all ones, and that of the issues since, x^17+x^14+1 from 11000111000111000
// (last printed bit first; polynomial and preset from memory). Bits leave most significant first.

export type RandomizerName = 'legacy' | 'new';

/** A bit is the sum of those `taps` places after the one `degree` places before it: s[n + degree] = s[n + tap] + … */
type Recurrence = { readonly degree: number; readonly taps: readonly number[]; readonly first: readonly number[] };

const bits = (text: string): number[] => [...text].map(Number);

const RECURRENCES: Readonly<Record<RandomizerName, Recurrence>> = {
  legacy: { degree: 8, taps: [0, 3, 5, 7], first: bits('11111111') },
  new: { degree: 17, taps: [0, 14], first: bits('11000111000111000').reverse() },
};

/** The first `length` bytes of a sequence, to be added (XOR) to a transfer frame from its first byte; not to the sync marker. */
export function randomizerSequence(name: RandomizerName, length: number): Uint8Array {
  const { degree, taps, first } = RECURRENCES[name];
  const sequence = new Uint8Array(8 * length + degree);
  sequence.set(first);
  for (let n = 0; n + degree < sequence.length; n++) {
    sequence[n + degree] = taps.reduce((sum, tap) => sum ^ sequence[n + tap]!, 0);
  }
  return Uint8Array.from({ length }, (_, byte) =>
    sequence.subarray(8 * byte, 8 * byte + 8).reduce((value, bit) => (value << 1) | bit, 0),
  );
}

/** Adds `mask` (as long as the span) to `source[start, …)` and writes the sum to `target[0, …)`: randomizes, or takes it off again. */
export function addMask(source: Uint8Array, start: number, mask: Uint8Array, target: Uint8Array): void {
  for (let i = 0; i < mask.length; i++) target[i] = source[start + i]! ^ mask[i]!;
}
