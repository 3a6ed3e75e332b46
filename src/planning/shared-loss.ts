// Whether two stations lose the same frames: losses that the spacecraft or its direction causes are shared, and a second station
// does not make up for them. Counted where both were in view.
import { intersectRanges, rangesLength, subtractRanges } from '../bytes/ranges.js';
import type { View } from './views.js';

/** Of the transmissions that both stations had in view: how many each and both lost, and in how many stretches both did. */
export type JointLosses = {
  readonly both: number;
  readonly onlyFirst: number;
  readonly onlySecond: number;
  readonly neither: number;
  readonly stretches: number;
};

export function jointLosses(a: View, b: View): JointLosses {
  const together = intersectRanges([a.start, a.end], [b.start, b.end]);
  const lostByA = subtractRanges(together, a.received);
  const lostByB = subtractRanges(together, b.received);
  const lostByBoth = intersectRanges(lostByA, lostByB);
  const both = rangesLength(lostByBoth);
  const onlyFirst = rangesLength(lostByA) - both;
  const onlySecond = rangesLength(lostByB) - both;
  const neither = rangesLength(together) - both - onlyFirst - onlySecond;
  return { both, onlyFirst, onlySecond, neither, stretches: lostByBoth.length / 2 };
}

export function addJointLosses(counts: readonly JointLosses[]): JointLosses {
  const sum = { both: 0, onlyFirst: 0, onlySecond: 0, neither: 0, stretches: 0 };
  for (const one of counts) {
    sum.both += one.both;
    sum.onlyFirst += one.onlyFirst;
    sum.onlySecond += one.onlySecond;
    sum.neither += one.neither;
    sum.stretches += one.stretches;
  }
  return sum;
}

/** Correlation of the two stations' losses, -1 to 1: the phi coefficient of the table of two by two; 0 where one never lost any. */
export function lossCorrelation({ both, onlyFirst, onlySecond, neither }: JointLosses): number {
  const product = (both + onlyFirst) * (both + onlySecond) * (neither + onlyFirst) * (neither + onlySecond);
  return product === 0 ? 0 : (both * neither - onlyFirst * onlySecond) / Math.sqrt(product);
}

/**
 * The chance of a loss that hits both, if losses are a shared one or each station's own, independently of each other. With own
 * losses a and b and shared s: P(neither) = (1-s)(1-a)(1-b) and P(first ok) P(second ok) = (1-s)^2 (1-a)(1-b), so
 * 1 - s = P(first ok) P(second ok) / P(neither).
 */
export function sharedLoss({ both, onlyFirst, onlySecond, neither }: JointLosses): number {
  const total = both + onlyFirst + onlySecond + neither;
  if (total === 0 || neither === 0) return 0;
  const ok = ((neither + onlySecond) / total) * ((neither + onlyFirst) / total);
  return Math.max(0, 1 - ok / (neither / total));
}
