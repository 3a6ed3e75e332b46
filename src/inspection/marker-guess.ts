// What comes back at a constant distance: the marker of a mission's own frame, whatever its bytes are.

export type MarkerGuess = {
  /** Hexadecimal. */
  readonly marker: string;
  /** Bytes from one to the next, the commonest distance. */
  readonly distance: number;
  /** Share of the distances that are just this, or a few times this with frames missing between. */
  readonly share: number;
};

export type MarkerPlaces = MarkerGuess & { readonly places: readonly number[] };

/** Bytes in which a marker is looked for. */
const GUESS_BYTES = 1 << 20;
const MIN_PLACES = 6;
const SHORTEST = 16;
/** Distances of a value followed, and values looked at closely. */
const MAX_PLACES = 1 << 14;
const MAX_VALUES = 1 << 12;
const BUCKETS = 1 << 22;

/** Distances between successive places, the commonest first. */
export function commonDistances(places: readonly number[]): { distance: number; times: number }[] {
  const distances = new Map<number, number>();
  for (let i = 1; i < places.length; i++) {
    const distance = places[i]! - places[i - 1]!;
    distances.set(distance, (distances.get(distance) ?? 0) + 1);
  }
  return [...distances].map(([distance, times]) => ({ distance, times })).sort((a, b) => b.times - a.times);
}

/** Bytes that lie once or more between places not far from each other, the commonest first: for a marker that also stands elsewhere. */
export function nearDistances(places: readonly number[], ahead: number): { distance: number; times: number }[] {
  const distances = new Map<number, number>();
  places.forEach((place, i) => {
    for (const other of places.slice(i + 1, i + 1 + ahead)) {
      distances.set(other - place, (distances.get(other - place) ?? 0) + 1);
    }
  });
  return [...distances]
    .map(([distance, times]) => ({ distance, times }))
    .sort((a, b) => b.times - a.times || a.distance - b.distance);
}

/**
 * The four-byte values that come back most regularly, the best first. Values of one byte repeated, which fill has, are left out.
 * Bounded: values that come back less than `MIN_PLACES` times are told by a table of counts before any list is made.
 */
export function regularValues(data: Buffer, most: number): MarkerPlaces[] {
  const end = Math.min(data.length, GUESS_BYTES) - 3;
  const seen = new Uint8Array(BUCKETS);
  const bucket = (value: number): number => Math.imul(value, 2654435761) >>> 10;
  for (let at = 0; at < end; at++) {
    const slot = bucket(data.readUInt32BE(at));
    if (seen[slot]! < 255) seen[slot]!++;
  }
  const places = new Map<number, number[]>();
  for (let at = 0; at < end; at++) {
    const value = data.readUInt32BE(at);
    if (value % 0x01010101 === 0 || seen[bucket(value)]! < MIN_PLACES) continue;
    const own = places.get(value);
    if (own) {
      if (own.length < MAX_PLACES) own.push(at);
    } else if (places.size < MAX_VALUES) places.set(value, [at]);
  }
  const found: (MarkerPlaces & { score: number })[] = [];
  for (const [value, own] of places) {
    if (own.length < MIN_PLACES) continue;
    const distances = commonDistances(own);
    const { distance, times } = distances[0]!;
    if (distance < SHORTEST) continue;
    const share = times / (own.length - 1);
    if (share <= 0.5) continue;
    const marker = value.toString(16).toUpperCase().padStart(8, '0');
    found.push({ marker, distance, share, places: own, score: share * times * distance });
  }
  return found.sort((a, b) => b.score - a.score || a.places[0]! - b.places[0]!).slice(0, most);
}

/** The four bytes that come back most regularly, if any do. */
export function guessMarker(data: Buffer): MarkerGuess | undefined {
  const [best] = regularValues(data, 1);
  return best && { marker: best.marker, distance: best.distance, share: best.share };
}
