// The DC values of a piece as a small picture: how well each is told by those beside, above and below it.
import type { Layout } from './layout.js';

/** By block of the MCU: its component, and where its neighbours stand in the order of the scan, counted from it. */
export type BlockNeighbours = {
  readonly component: number;
  readonly left: number;
  readonly right: number;
  readonly above: number;
  readonly below: number;
};

/**
 * @param parts of the scan's components
 * @param width MCUs in a row
 */
export function blockNeighbours(parts: Layout['parts'], width: number): BlockNeighbours[] {
  const per = parts.reduce((sum, { h, v }) => sum + h * v, 0);
  return parts.flatMap(({ h, v }, component) =>
    Array.from({ length: h * v }, (_, b) => {
      const [x, y] = [b % h, Math.floor(b / h)];
      return {
        component,
        left: x > 0 ? -1 : h - 1 - per,
        right: x < h - 1 ? 1 : per - h + 1,
        above: y > 0 ? -h : (v - 1) * h - width * per,
        below: y < v - 1 ? h : width * per - (v - 1) * h,
      };
    }),
  );
}

/** Each value less the mean of its neighbours; 0 where it has none on two opposite sides. */
export function surprises(values: ArrayLike<number>, neighbours: readonly BlockNeighbours[]): Float64Array {
  const total = values.length;
  const result = new Float64Array(total);
  for (let n = 0; n < total; n++) {
    const { left, right, above, below } = neighbours[n % neighbours.length]!;
    const across = n + left >= 0 && n + right < total;
    const down = n + above >= 0 && n + below < total;
    if (!across && !down) continue;
    const beside = across ? values[n + left]! + values[n + right]! : values[n + above]! + values[n + below]!;
    const over = down ? values[n + above]! + values[n + below]! : beside;
    result[n] = values[n]! - (beside + over) / 4;
  }
  return result;
}
