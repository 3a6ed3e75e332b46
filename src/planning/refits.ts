// How sure a fitted channel is: fitted again to rotations drawn from those observed (bootstrap; B. Efron, Annals of Statistics 7, 1979).
import { type Channel, fitChannel, turnRecords } from './channel.js';
import { mean, normalQuantile, quantile, studentQuantile } from './quantiles.js';
import type { Rotation } from './rotation.js';
import { below, normal, seeded } from './seeded.js';

/** By how much more the truth differs from the estimate than refits differ from each other: found with rehearsals (`bench:repeats`). */
const MISFIT = 1.7;

/** Channels as likely as the fitted one, so many of them. */
export function refittedChannels(rotation: Rotation, names: readonly string[], count: number, seed: number): Channel[] {
  const turns = turnRecords(rotation, names);
  const { period } = rotation;
  const observed = fitChannel(period, names, turns);
  const random = seeded(seed, 'refits');
  return Array.from({ length: count }, () => {
    const again = Array.from(turns, () => turns[below(turns.length, random)]!);
    return widened(fitChannel(period, names, again), observed, random);
  });
}

/**
 * The refitted channel with views moved further from the observed ones than drawing again moves them: few rotations resemble each
 * other more than they resemble the next (Student's factor for as many; of one rotation alone, a fifth of its view is taken as the
 * deviation).
 */
function widened(refitted: Channel, observed: Channel, random: () => number): Channel {
  const stations = refitted.stations.map((station, i) => {
    const known = widthsOf(observed.stations[i]!.views);
    const again = widthsOf(station.views);
    if (known.length === 0 || again.length === 0) return station;
    const more =
      known.length === 1 ? 0.2 * known[0]! * normal(random) : (spread(known.length) - 1) * (mean(again) - mean(known));
    const views = station.views.map((view) =>
      view && view.to > view.from && view.to - view.from + more > 0
        ? { from: view.from - more / 2, to: view.to + more / 2 }
        : view,
    );
    return { ...station, views, smear: observed.stations[i]!.smear };
  });
  return { ...refitted, stations };
}

function widthsOf(views: Channel['stations'][number]['views']): number[] {
  return views.flatMap((view) => (view && view.to > view.from ? [view.to - view.from] : []));
}

/** By how much wider than by drawing again an interval for a mean of n is. */
function spread(n: number): number {
  return (studentQuantile(0.95, n - 1) / normalQuantile(0.95)) * Math.sqrt(n / (n - 1));
}

/**
 * The middle 90 % of the refitted chances. That so few rotations are drawn for each makes them scatter, which is taken out again; what
 * the model leaves out (soft edges of views, bursts of two kinds) is put in by `MISFIT`.
 */
export function refittedInterval(
  chance: number,
  refitted: readonly number[],
  { drawn, drawnPerRefit }: { readonly drawn: number; readonly drawnPerRefit: number },
): [number, number] {
  const middle = mean(refitted);
  const scatter = mean(refitted.map((own) => (own - middle) ** 2));
  const ofDrawing = mean(refitted.map((own) => own * (1 - own))) / drawnPerRefit;
  const real = MISFIT ** 2 * Math.max(0, scatter - ofDrawing) + (middle * (1 - middle)) / drawn;
  const factor = scatter === 0 ? 0 : Math.sqrt(real / scatter);
  const [low, high] = [0.05, 0.95].map((p) => middle + factor * (quantile(refitted, p) - middle)) as [number, number];
  return [Math.max(0, Math.min(chance, low)), Math.min(1, Math.max(chance, high))];
}
