// Channel access data units (CCSDS 131.0-B): proven by the attached sync marker at a constant distance and, behind it, transfer
// frames whose FECF or frame counts are right, as they stand or with either randomizer sequence taken off.
import type { Finding } from './finding.js';
import { nearDistances } from './marker-guess.js';
import { readLayer, type Tape } from './tape.js';
import { transferKind } from './transfer-frames.js';

const MARKER = Buffer.from('1ACFFC1D', 'hex');
const INVERTED = Buffer.from('E53003E2', 'hex');
/** Markers looked at: they tell the distance soon. */
const MAX_MARKERS = 2000;
/** A mission's frames inside may have the same marker: so distances to the next few are held for possible. */
const AHEAD = 8;
const MAX_DISTANCES = 12;
/** Bytes on which the distances are tried, or so many frames. */
const TRIED_BYTES = 1 << 17;
const TRIED_FRAMES = 12;
const LONGEST = 65544;
const SHORTEST = 16;

export function probeCadu(tape: Tape): Finding[] {
  const { data } = tape;
  const places = [...placesOf(data, MARKER), ...placesOf(data, INVERTED)].sort((a, b) => a - b);
  const distances = nearDistances(places, AHEAD).filter(
    ({ distance, times }) => distance >= SHORTEST && distance <= LONGEST && times >= 3,
  );
  // Noise may stand before the first marker.
  const signal = tape.from(places[0] ?? 0);
  const refused: number[] = [];
  for (const { distance } of distances.slice(0, MAX_DISTANCES)) {
    // What is no frame twice is none either.
    if (refused.some((shorter) => distance % shorter === 0)) continue;
    const head = signal.head(Math.max(TRIED_BYTES, TRIED_FRAMES * distance));
    const finding = ofLength(head, distance);
    const whole = finding && finding.explained >= 0.2 * head.data.length && withOptions(tape, finding.options);
    if (whole) return [whole];
    refused.push(distance);
  }
  return [];
}

function placesOf(data: Buffer, marker: Buffer): number[] {
  const places: number[] = [];
  for (let at = data.indexOf(marker); at >= 0 && places.length < MAX_MARKERS; at = data.indexOf(marker, at + 1))
    places.push(at);
  return places;
}

function ofLength(tape: Tape, length: number): Finding | undefined {
  const checked = [{ length }, { length, randomized: true }].map((options) => withOptions(tape, options));
  const best = checked.sort((a, b) => (b?.explained ?? 0) - (a?.explained ?? 0))[0];
  if (best) return best;
  const unchecked = [{}, { randomized: 'legacy' }, { randomized: 'new' }];
  return unchecked.map((options) => withOptions(tape, { length, ...options, check: 'none' })).find(Boolean);
}

function withOptions(tape: Tape, options: Readonly<Record<string, unknown>>): Finding | undefined {
  const { counts, tape: inside } = readLayer(tape, 'cadu', options);
  const { frames = 0, unproven = 0 } = counts;
  const kind = transferKind(inside);
  if (!kind || (options['check'] !== 'none' && frames - unproven < 3)) return undefined;
  const { 'legacy randomizer': legacy = 0, 'new randomizer': later = 0 } = counts;
  const named = legacy > 0 && later > 0 ? true : later > 0 ? 'new' : 'legacy';
  const randomized = options['randomized'] === true ? { randomized: named } : {};
  const length = Number(options['length']);
  const sequence = options['randomized']
    ? `, randomized (${String(named === true ? 'both' : (randomized.randomized ?? options['randomized']))})`
    : '';
  return {
    layer: 'cadu',
    options: { ...options, ...randomized },
    proof: `${frames} markers 1ACFFC1D every ${length} bytes${sequence}; ${kind.proof}`,
    counts,
    explained: (options['check'] === 'none' ? frames : frames - unproven) * length,
    level: 'transfer frames',
    tape: inside,
  };
}
