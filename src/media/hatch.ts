// How what is missing of a picture is marked: grey stripes on nothing, so that neither an eye nor a program takes them for the picture.

/** Grey, and how much of it hides what is behind. */
export const STRIPE: readonly [red: number, green: number, blue: number, alpha: number] = [128, 128, 128, 192];

/** Pixels from one stripe to the next: wide enough to be seen when the picture is shrunk to a thumbnail. */
export function hatchPeriod(width: number): number {
  return Math.max(12, Math.round(width / 20));
}

export function isStripe(x: number, y: number, period: number): boolean {
  return (x + y) % period < period / 3;
}
