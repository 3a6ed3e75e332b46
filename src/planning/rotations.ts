// How many rotations bring everything down with the carousel as it is sent: the chance after 1, 2, 3, … rotations, with its interval.
import { fitChannel, turnRecords } from './channel.js';
import { atShare, carouselOrder, rotationsToComplete } from './completion.js';
import { refittedChannels, refittedInterval } from './refits.js';
import type { CurveInput } from './repeats.js';
import { MOST_ROTATIONS } from './resonance.js';

/** The chance that everything has arrived after so many rotations. */
export type RotationsPoint = {
  readonly rotations: number;
  readonly chance: number;
  /** 90 % interval. */
  readonly interval: readonly [number, number];
};

export type RotationsCurve = {
  /** Up to the first rotation after which everything has arrived in every campaign drawn, or the last one tried. */
  readonly points: readonly RotationsPoint[];
  /** Fewest rotations for the target; `null` = more than were tried. */
  readonly rotations: number | null;
};

/** Campaigns drawn from the fitted channel. */
export const CAMPAIGNS_DRAWN = 200;
/** A campaign is many rotations: fewer are drawn of each refit, and of fewer refits. */
const PER_REFIT = 20;

export function rotationsCurve({
  rotation,
  names,
  carousel,
  target,
  effort,
  seed,
  adapt = (channel) => channel,
}: CurveInput): RotationsCurve {
  const order = carouselOrder(carousel);
  const channel = adapt(fitChannel(rotation.period, names, turnRecords(rotation, names)));
  const all = rotationsToComplete(channel, order, { drawn: CAMPAIGNS_DRAWN, most: MOST_ROTATIONS, seed });
  const refits = refittedChannels(rotation, names, Math.ceil(effort.refits / 3), seed).map((refitted, i) =>
    rotationsToComplete(adapt(refitted), order, { drawn: PER_REFIT, most: MOST_ROTATIONS, seed: seed + 1 + i }),
  );
  const last = Math.min(MOST_ROTATIONS, Math.max(...all));
  const points = Array.from({ length: last }, (_, i): RotationsPoint => {
    const chanceOf = (completed: readonly number[]): number =>
      completed.filter((own) => own <= i + 1).length / completed.length;
    const interval = refittedInterval(chanceOf(all), refits.map(chanceOf), {
      drawn: CAMPAIGNS_DRAWN,
      drawnPerRefit: PER_REFIT,
    });
    return { rotations: i + 1, chance: chanceOf(all), interval };
  });
  return { points, rotations: atShare(all, target) };
}
