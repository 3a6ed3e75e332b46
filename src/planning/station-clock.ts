// How far each station's clock is off: receive times are straight lines over the on-board counter, the same for all but for the
// clocks. Robust regression after H. Theil (1950) and P. K. Sen (Journal of the American Statistical Association 63, 1968).
import { median } from './quantiles.js';

/** A receive time by a station's own clock. */
export type ClockReading = { readonly transmission: number; readonly milliseconds: number };

export type StationClock = {
  readonly name: string;
  readonly readings: number;
  /** Seconds ahead of the middle of all stations' clocks, at the station's own middle reading. */
  readonly offsetSeconds: number;
  /** Seconds gained per second against the stated rate; `null` with fewer than three readings. */
  readonly drift: number | null;
};

/** The line through points by the median of all slopes between two of them, and the median of what is left. */
export function theilSen(points: readonly (readonly [x: number, y: number])[]): { slope: number; intercept: number } {
  const slopes: number[] = [];
  points.forEach(([x, y], i) => {
    for (const [otherX, otherY] of points.slice(i + 1)) if (otherX !== x) slopes.push((otherY - y) / (otherX - x));
  });
  const slope = slopes.length === 0 ? 0 : median(slopes);
  return { slope, intercept: median(points.map(([x, y]) => y - slope * x)) };
}

/**
 * @param frameSeconds from one transmission to the next
 * @returns one entry for each station with a reading
 */
export function stationClocks(
  stations: readonly { readonly name: string; readonly clocks: readonly ClockReading[] }[],
  frameSeconds: number,
): StationClock[] {
  const own = stations
    .filter(({ clocks }) => clocks.length > 0)
    .map(({ name, clocks }) => {
      const points = clocks.map(({ transmission, milliseconds }) => {
        const sent = transmission * frameSeconds;
        return [sent, milliseconds / 1000 - sent] as const;
      });
      const line = points.length >= 3 ? theilSen(points) : { slope: 0, intercept: median(points.map(([, y]) => y)) };
      const middle = median(points.map(([x]) => x));
      return { name, readings: points.length, at: line.intercept + line.slope * middle, drift: line.slope };
    });
  const reference = median(own.map(({ at }) => at));
  return own.map(({ name, readings, at, drift }) => {
    return { name, readings, offsetSeconds: at - reference, drift: readings >= 3 ? drift : null };
  });
}
