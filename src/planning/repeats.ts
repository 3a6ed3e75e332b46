// A first estimate of how many repeats would have got everything, from what was received. It takes each sending of a segment as
// received with one probability, independently: bursts and the blind part of the rotation make that optimistic, so the interval
// counts stretches of reception and loss as the independent trials, not frames.
import { intersectRanges, rangesLength, unionRanges } from '../bytes/ranges.js';

/** What the estimate needs of each station: see `StationReception`. */
export type StationTransmissions = {
  readonly name: string;
  /** Half-open ranges of transmissions received. */
  readonly transmissions: readonly number[];
  /** Half-open ranges from the first to the last frame of its recordings. */
  readonly span: readonly number[];
};

export type RepeatsRow = {
  readonly stations: readonly string[];
  /** Share of the transmissions received, with the Wilson 95 % interval. */
  readonly probability: number;
  readonly interval: readonly [number, number];
  /** Repeats of everything for `target`, at the probability and at the interval's ends (fewest, most); `null` = never. */
  readonly repeats: number | null;
  readonly repeatsInterval: readonly [number | null, number | null];
};

export type RepeatsEstimate = {
  readonly target: number;
  /** Segments that have to arrive. */
  readonly segments: number;
  /** Transmissions in the time anyone listened. */
  readonly sent: number;
  /** Whole carousel cycles that fit in one rotation at the given rate; `null` when rate or rotation is not known. */
  readonly fitPerRotation: number | null;
  /** All stations together first, then each alone. */
  readonly rows: readonly RepeatsRow[];
};

export type RepeatsInput = {
  readonly stations: readonly StationTransmissions[];
  readonly segments: number;
  readonly target: number;
  /** Seconds of one transmission. */
  readonly frameSeconds?: number;
  readonly rotationSeconds?: number;
};

const Z_95 = 1.959963984540054;

export function estimateRepeats({
  stations,
  segments,
  target,
  frameSeconds,
  rotationSeconds,
}: RepeatsInput): RepeatsEstimate {
  const listened = unionRanges(stations.map(({ span }) => span));
  const sent = rangesLength(listened);
  const row = (names: readonly StationTransmissions[]): RepeatsRow => {
    const received = intersectRanges(unionRanges(names.map(({ transmissions }) => transmissions)), listened);
    const probability = sent === 0 ? 0 : rangesLength(received) / sent;
    const interval = wilsonInterval(probability, Math.max(1, received.length));
    return {
      stations: names.map(({ name }) => name),
      probability,
      interval,
      repeats: repeatsNeeded(probability, segments, target),
      repeatsInterval: [repeatsNeeded(interval[1], segments, target), repeatsNeeded(interval[0], segments, target)],
    };
  };
  const fits =
    frameSeconds && rotationSeconds && segments > 0 ? rotationSeconds / (segments * frameSeconds) : undefined;
  return {
    target,
    segments,
    sent,
    fitPerRotation: fits === undefined ? null : Math.floor(fits),
    rows: [row(stations), ...(stations.length > 1 ? stations.map((station) => row([station])) : [])],
  };
}

/**
 * The fewest repeats k with (1 - (1 - p)^k)^n >= target: n segments, each received at least once in k independent sendings.
 *
 * @returns `null` when no number of repeats is enough
 */
export function repeatsNeeded(probability: number, segments: number, target: number): number | null {
  if (segments === 0 || probability >= 1) return 1;
  if (probability <= 0) return null;
  // The complement by expm1, so that millions of segments do not round 1 - target^(1/n) away.
  const mayMiss = -Math.expm1(Math.log(target) / segments);
  return Math.max(1, Math.ceil(Math.log(mayMiss) / Math.log1p(-probability) - 1e-9));
}

/** Wilson score interval at 95 % for a share `p` of `n` trials (Wilson 1927). */
export function wilsonInterval(p: number, n: number): [number, number] {
  const z2 = Z_95 ** 2;
  const centre = (p + z2 / (2 * n)) / (1 + z2 / n);
  const half = (Z_95 / (1 + z2 / n)) * Math.sqrt((p * (1 - p)) / n + z2 / (4 * n * n));
  return [Math.max(0, centre - half), Math.min(1, centre + half)];
}
