// What can be said without simulation where every sending arrives with one chance, independently of the others; and the interval
// of a share.

const Z_95 = 1.959963984540054;

/** The chance that each of `segments` arrives at least once in `repeats` sendings: (1 - (1 - p)^k)^n. */
export function completionChance(probability: number, repeats: number, segments: number): number {
  // By log1p, so that chances near 1 of millions of segments keep their digits.
  return segments === 0 ? 1 : Math.exp(segments * Math.log1p(-((1 - probability) ** repeats)));
}

/**
 * The fewest repeats k with (1 - (1 - p)^k)^n >= target.
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

/** Repeats until all segments are in, on average: the mean of the largest of n geometric waits, sum over k of 1 - P(done by k). */
export function meanRepeats(probability: number, segments: number): number {
  if (segments === 0) return 0;
  if (probability <= 0) return Number.POSITIVE_INFINITY;
  let mean = 0;
  for (let repeats = 0; ; repeats++) {
    const open = 1 - (repeats === 0 ? 0 : completionChance(probability, repeats, segments));
    mean += open;
    if (open < 1e-12) return mean;
  }
}

/**
 * Receptions until all of n segments are in, on average, when each reception is of a segment drawn at random: n times the n-th
 * harmonic number, the coupon collector's problem (W. Feller, An Introduction to Probability Theory and Its Applications I, IX.3).
 */
export function meanRandomDraws(segments: number): number {
  let harmonic = 0;
  for (let i = segments; i >= 1; i--) harmonic += 1 / i;
  return segments * harmonic;
}

/** The chance that `draws` receptions of segments drawn at random hold all of n, by inclusion and exclusion for few, else by its limit. */
export function randomDrawsChance(segments: number, draws: number): number {
  if (draws < segments) return 0;
  // The limit law exp(-n exp(-t / n)) of P. Erdős and A. Rényi (1961); with (1 - 1/n)^t in the exponent it is closer for few.
  if (segments > 40) return Math.exp(-segments * Math.exp(draws * Math.log1p(-1 / segments)));
  let sum = 0;
  let choose = 1;
  for (let left = 0; left <= segments; left++) {
    sum += (left % 2 === 0 ? 1 : -1) * choose * (1 - left / segments) ** draws;
    choose *= (segments - left) / (left + 1);
  }
  return Math.min(1, Math.max(0, sum));
}

/**
 * Wilson score interval for a share `p` of `n` trials (E. B. Wilson, Journal of the American Statistical Association 22, 1927).
 *
 * @param z standard errors to either side; the default makes a 95 % interval
 */
export function wilsonInterval(p: number, n: number, z: number = Z_95): [number, number] {
  if (n <= 0) return [0, 1];
  const z2 = z ** 2;
  const centre = (p + z2 / (2 * n)) / (1 + z2 / n);
  const half = (z / (1 + z2 / n)) * Math.sqrt((p * (1 - p)) / n + z2 / (4 * n * n));
  return [Math.max(0, centre - half), Math.min(1, centre + half)];
}
