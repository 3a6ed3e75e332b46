// What one station met, and whether two stations lost the same: the parts of the estimate that are told beside the count.
import { intersectRanges } from '../bytes/ranges.js';
import { addTransitions, type Channel, typicalView } from './channel.js';
import { fitBursts, meanBurst, stationaryLoss } from './gilbert-elliott.js';
import { type PhaseBin, phaseProfile } from './phase-profile.js';
import type { Rotation } from './rotation.js';
import { addJointLosses, jointLosses, lossCorrelation } from './shared-loss.js';
import type { StationClock } from './station-clock.js';
import { countTransitions, type ListeningStation } from './views.js';

export type StationEstimate = {
  readonly name: string;
  /** Rotations with a view, share of a rotation in view, share lost in view, frames of a mean burst. */
  readonly turns: number;
  readonly view: number | null;
  readonly loss: number;
  readonly burst: number;
  readonly profile: readonly PhaseBin[];
  readonly clock: StationClock | null;
};

/** Correlation of two stations' losses where both had the spacecraft in view for so many transmissions. */
export type LossCorrelation = {
  readonly stations: readonly [string, string];
  readonly correlation: number;
  readonly transmissions: number;
};

export function stationEstimate(
  station: ListeningStation,
  rotation: Rotation | null,
  channel: Channel | null,
  clocks: readonly StationClock[],
): StationEstimate {
  const { name } = station;
  const views = rotation?.views.get(name) ?? [];
  const bursts = fitBursts(
    rotation
      ? addTransitions(views.map(({ transitions }) => transitions))
      : countTransitions(intersectRanges(station.received, station.listened)),
  );
  const own = channel?.stations.find((one) => one.name === name);
  return {
    name,
    turns: views.length,
    view: own && channel ? typicalView(own) / channel.period : null,
    loss: stationaryLoss(bursts),
    burst: meanBurst(bursts),
    profile: rotation ? phaseProfile(station, rotation.clock, bursts) : [],
    clock: clocks.find((clock) => clock.name === name) ?? null,
  };
}

export function correlations({ views }: Rotation, names: readonly string[]): LossCorrelation[] {
  return names.flatMap((a, i) =>
    names.slice(i + 1).flatMap((b) => {
      const joint = addJointLosses(
        views
          .get(a)!
          .flatMap((one) =>
            views.get(b)!.flatMap((other) => (one.turn === other.turn ? [jointLosses(one, other)] : [])),
          ),
      );
      const transmissions = joint.both + joint.onlyFirst + joint.onlySecond + joint.neither;
      return transmissions === 0
        ? []
        : [{ stations: [a, b] as const, correlation: lossCorrelation(joint), transmissions }];
    }),
  );
}
