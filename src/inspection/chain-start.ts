// Where in a byte stream a chain of units begins whose lengths lead from one to the next; for protocols without a marker.

/** How far in the beginning is looked for. */
const SEARCH_BYTES = 1 << 16;

/**
 * The first index from which `needed` units follow one another, or -1. Bounded: short walks from at most 64 Ki places.
 *
 * @param unitEnd the index behind the unit at `index`, or -1 where none can begin, or none that goes with the one at `first`
 */
export function chainStart(length: number, needed: number, unitEnd: (index: number, first: number) => number): number {
  for (let first = 0; first < Math.min(length, SEARCH_BYTES); first++) {
    let index = first;
    let units = 0;
    while (units < needed) {
      const end = unitEnd(index, first);
      if (end <= index || end > length) break;
      index = end;
      units++;
    }
    if (units === needed) return first;
  }
  return -1;
}

/** Says that a layer that reads from the first byte is led astray by what stands before its first unit. */
export const garbageBefore = (bytes: number, layer: string): string[] =>
  bytes === 0
    ? []
    : [
        `the first ${bytes} bytes are no part of it; the layer ${layer} has no marker to find its place by, so cut them off`,
      ];
