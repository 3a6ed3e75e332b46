// Whether what the ledger has of a recording is an earlier state of it: what was heard of its files while one of them was still to
// come. It then adds nothing to what all of them hold, and counting both would count one reception twice.
import { intersectRanges, normaliseRanges, rangesLength } from '../bytes/ranges.js';
import type { Reception } from '../ledger/reception-file.js';

/**
 * @param counterBits width of the counter: what was missed in between may have hidden that it turned over
 * @returns whether everything that `known` heard intact, `whole` heard in the same transmissions
 */
export function isEarlierState(known: Reception, whole: Reception, counterBits: number): boolean {
  if (known.bytes >= whole.bytes || known.frames.intact > whole.frames.intact) return false;
  const heard = linesOf(whole, counterBits);
  for (const [line, own] of linesOf(known, counterBits)) {
    const there = heard.get(line);
    if (!there || rangesLength(intersectRanges(own, there)) < rangesLength(own)) return false;
  }
  return true;
}

/** Keys by what the frames of one line have in common: content, and by how much counter and key differ. */
function linesOf({ runs }: Reception, counterBits: number): Map<string, number[]> {
  const modulus = 2 ** counterBits;
  const lines = new Map<string, [number, number][]>();
  for (const { file, segments, lane, key, step, counter, count } of runs) {
    const start = (((counter - Math.floor(key / step)) % modulus) + modulus) % modulus;
    const name = `${file} ${segments} ${lane} ${step} ${key % step} ${start}`;
    const own = lines.get(name) ?? [];
    own.push([Math.floor(key / step), Math.floor(key / step) + count]);
    lines.set(name, own);
  }
  return new Map([...lines].map(([name, pairs]) => [name, normaliseRanges(pairs)]));
}
