// How many repeats in one rotation bring everything down: the chance for 1, 2, 3, … repeats from the fitted channel, with its interval
// from fitting again.
import type { Carousel } from './carousel-cycle.js';
import { type Channel, fitChannel, turnRecords } from './channel.js';
import { countCompletions } from './completion.js';
import { mean } from './quantiles.js';
import { refittedChannels, refittedInterval } from './refits.js';
import type { Rotation } from './rotation.js';

/** The chance that everything arrives in one rotation in which everything is sent so many times. */
export type RepeatsPoint = {
  readonly repeats: number;
  readonly chance: number;
  /** 90 % interval. */
  readonly interval: readonly [number, number];
};

export type RepeatsCurve = {
  readonly points: readonly RepeatsPoint[];
  /** Fewest repeats whose chance, what is not known of the channel reckoned in, reaches the target with a little to spare; `null` where none tried does. */
  readonly repeats: number | null;
  /** Fewest at the upper and at the lower end of the interval. */
  readonly repeatsInterval: readonly [number | null, number | null];
  /** Fewest for each file alone, in the carousel's order. */
  readonly files: readonly (number | null)[];
};

export type Effort = {
  /** Rotations drawn for the curve, times the channel is fitted again, rotations drawn each time. */
  readonly drawn: number;
  readonly refits: number;
  readonly drawnPerRefit: number;
};

export const FULL_EFFORT: Effort = { drawn: 6000, refits: 150, drawnPerRefit: 100 };
/** What `bench:repeats` calibrates. */
export const QUICK_EFFORT: Effort = { drawn: 3000, refits: 60, drawnPerRefit: 60 };
/** For a first look. */
export const LIGHT_EFFORT: Effort = { drawn: 300, refits: 30, drawnPerRefit: 40 };
/** More repeats than this are not tried. */
const MOST_REPEATS = 64;
/** Part of the misses that the target allows which the estimate may use up: it is itself not exact. */
const ALLOWED = 0.75;

export type CurveInput = {
  readonly rotation: Rotation;
  readonly names: readonly string[];
  readonly carousel: Carousel;
  readonly target: number;
  readonly effort: Effort;
  readonly seed: number;
  /** Makes of the channel as observed the one to plan with (another rate). */
  readonly adapt?: (channel: Channel) => Channel;
};

export function repeatsCurve({
  rotation,
  names,
  carousel,
  target,
  effort,
  seed,
  adapt = (channel) => channel,
}: CurveInput): RepeatsCurve {
  const channel = adapt(fitChannel(rotation.period, names, turnRecords(rotation, names)));
  // Where only the whole counts, one file stands for all.
  const segments = carousel.files.reduce((sum, file) => sum + file.segments, 0);
  const whole = { files: [{ id: '', segments, place: 0 }] };
  const { refits, ...draws } = affordable(effort, channel.period);
  const tried = firstCounts(channel, whole, target, seed);
  const best = countCompletions(channel, carousel, tried, draws.drawn, seed);
  const replicas = refittedChannels(rotation, names, refits, seed).map((refitted, i) => {
    const { all, drawn } = countCompletions(adapt(refitted), whole, tried, draws.drawnPerRefit, seed + 1 + i);
    return all.map((count) => count / drawn);
  });
  const points = tried.map((repeats, k): RepeatsPoint => {
    const chance = best.all[k]! / best.drawn;
    const own = replicas.map((chances) => chances[k]!);
    return { repeats, chance, interval: refittedInterval(chance, own, draws) };
  });
  const expected = tried.map((_, k) => mean(replicas.map((chances) => chances[k]!)));
  const fewest = (reaches: (k: number) => boolean): number | null =>
    tried[tried.findIndex((_, k) => reaches(k))] ?? null;
  return {
    points,
    repeats: fewest((k) => 1 - Math.min(points[k]!.chance, expected[k]!) <= ALLOWED * (1 - target)),
    repeatsInterval: [fewest((k) => points[k]!.interval[1] >= target), fewest((k) => points[k]!.interval[0] >= target)],
    files: carousel.files.map((_, file) => fewest((k) => best.files[k]![file]! / best.drawn >= target)),
  };
}

/** Fewer draws where a rotation is very many transmissions, which take as much longer to lay out. */
function affordable({ drawn, refits, drawnPerRefit }: Effort, period: number): Effort {
  const share = Math.min(1, 100_000 / period);
  return { drawn: Math.ceil(drawn * share), refits, drawnPerRefit: Math.max(10, Math.ceil(drawnPerRefit * share)) };
}

/** 1, 2, 3, … up to a few more than the first that nearly always succeed; further apart where there are many. */
function firstCounts(channel: Channel, whole: Pick<Carousel, 'files'>, target: number, seed: number): number[] {
  const enough = Math.max(target, 0.995);
  const counts: number[] = [];
  let good = 0;
  while (good < 3 && (counts.at(-1) ?? 0) < MOST_REPEATS) {
    const last = counts.at(-1) ?? 0;
    const step = last < 16 ? 1 : last < 32 ? 2 : 4;
    const block = Array.from({ length: 4 }, (_, i) => last + (1 + i) * step);
    const { all, drawn } = countCompletions(channel, whole, block, 300, seed);
    for (const count of all) good = count / drawn >= enough ? good + 1 : 0;
    counts.push(...block);
  }
  return counts;
}
