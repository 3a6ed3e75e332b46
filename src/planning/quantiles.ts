// Quantiles of Student's distribution, for intervals from few rotations, and of a list of numbers.

/**
 * The value that Student's t with `freedom` degrees of freedom stays below with chance `p`: exact for 1 and 2, else by the series in
 * 1 / freedom around the normal quantile (Abramowitz & Stegun, Handbook of Mathematical Functions, 26.7.5; error below 1 % for the
 * quantiles used here from 3 degrees on).
 */
export function studentQuantile(p: number, freedom: number): number {
  if (freedom === 1) return Math.tan(Math.PI * (p - 0.5));
  if (freedom === 2) return (2 * p - 1) / Math.sqrt(2 * p * (1 - p));
  const x = normalQuantile(p);
  const g1 = (x ** 3 + x) / 4;
  const g2 = (5 * x ** 5 + 16 * x ** 3 + 3 * x) / 96;
  const g3 = (3 * x ** 7 + 19 * x ** 5 + 17 * x ** 3 - 15 * x) / 384;
  const g4 = (79 * x ** 9 + 776 * x ** 7 + 1482 * x ** 5 - 1920 * x ** 3 - 945 * x) / 92160;
  return x + g1 / freedom + g2 / freedom ** 2 + g3 / freedom ** 3 + g4 / freedom ** 4;
}

/** The value that a standard normal variable stays below with chance `p` (Abramowitz & Stegun, 26.2.23; error below 4.5e-4). */
export function normalQuantile(p: number): number {
  if (p > 0.5) return -normalQuantile(1 - p);
  const t = Math.sqrt(-2 * Math.log(p));
  const below = 2.515517 + 0.802853 * t + 0.010328 * t * t;
  const above = 1 + 1.432788 * t + 0.189269 * t * t + 0.001308 * t ** 3;
  return below / above - t;
}

/** The value with a share `p` of the numbers below it, straight between neighbours; NaN of none. */
export function quantile(numbers: readonly number[], p: number): number {
  const sorted = [...numbers].sort((a, b) => a - b);
  const at = p * (sorted.length - 1);
  const low = Math.floor(at);
  const [from, to] = [sorted[low], sorted[Math.min(low + 1, sorted.length - 1)]];
  if (from === undefined || to === undefined) return Number.NaN;
  return from === to ? from : from + (at - low) * (to - from);
}

export function median(numbers: readonly number[]): number {
  return quantile(numbers, 0.5);
}

export function mean(numbers: readonly number[]): number {
  return numbers.reduce((sum, number) => sum + number, 0) / numbers.length;
}
