// How likely a station receives a frame at each phase of the rotation, with Wilson intervals that count a burst of losses as less
// than its frames.
import { intersectRanges } from '../bytes/ranges.js';
import { wilsonInterval } from './closed-forms.js';
import { type Bursts, clusteringFactor } from './gilbert-elliott.js';
import { type TurnClock, transmissionAt, turnAt } from './turn-clock.js';
import type { ListeningStation } from './views.js';

/** One part of the rotation; `phase` in turns from the middle of the stations' views, -0.5 to 0.5, where the part begins. */
export type PhaseBin = {
  readonly phase: number;
  readonly listened: number;
  readonly received: number;
  /** 95 % interval of the share received. */
  readonly interval: readonly [number, number];
};

/** @param bursts of this station's losses: what makes neighbouring frames share their fate */
export function phaseProfile(station: ListeningStation, clock: TurnClock, bursts: Bursts, bins = 60): PhaseBin[] {
  const listened = countByPhase(station.listened, clock, bins);
  const received = countByPhase(intersectRanges(station.received, station.listened), clock, bins);
  const factor = clusteringFactor(bursts);
  return Array.from({ length: bins }, (_, i) => {
    const n = listened[i]!;
    return {
      phase: i / bins - 0.5,
      listened: n,
      received: received[i]!,
      interval: wilsonInterval(n === 0 ? 0 : received[i]! / n, n === 0 ? 0 : Math.max(1, n / factor)),
    };
  });
}

function countByPhase(ranges: readonly number[], clock: TurnClock, bins: number): number[] {
  const counts = new Array<number>(bins).fill(0);
  for (let i = 0; i < ranges.length; i += 2) {
    const end = ranges[i + 1]!;
    for (let from = ranges[i]!; from < end; ) {
      const part = Math.floor((turnAt(clock, from) + 0.5) * bins + 1e-9);
      const next = Math.max(from + 1, Math.ceil(transmissionAt(clock, (part + 1) / bins - 0.5) - 1e-6));
      counts[((part % bins) + bins) % bins]! += Math.min(end, next) - from;
      from = next;
    }
  }
  return counts;
}
