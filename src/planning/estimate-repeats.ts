// The whole answer to "how many repeats per rotation?", from what the stations heard of one on-board run: rotation, views and losses
// of each station, the count for each station and for all together, resonance, and what else the team should know.
import { intersectRanges, rangesLength, unionRanges } from '../bytes/ranges.js';
import type { CarouselFile, FileSending } from './carousel-cycle.js';
import { findCarousel } from './carousel-cycle.js';
import { atRate, type Channel, fitChannel, turnRecords } from './channel.js';
import { completionChance, repeatsNeeded, wilsonInterval } from './closed-forms.js';
import { atShare, rotationsToComplete } from './completion.js';
import { notesOn } from './estimate-notes.js';
import { stationaryLoss } from './gilbert-elliott.js';
import {
  type Effort,
  FULL_EFFORT,
  LIGHT_EFFORT,
  QUICK_EFFORT,
  type RepeatsCurve,
  type RepeatsPoint,
  repeatsCurve,
} from './repeats.js';
import { findResonance, MOST_ROTATIONS, type Resonance } from './resonance.js';
import { findRotation } from './rotation.js';
import { CAMPAIGNS_DRAWN, type RotationsPoint, rotationsCurve } from './rotations.js';
import type { SendNext } from './send-next.js';
import { type ClockReading, stationClocks } from './station-clock.js';
import { correlations, type LossCorrelation, type StationEstimate, stationEstimate } from './station-estimate.js';
import type { ListeningStation } from './views.js';

export type RepeatsInput = {
  readonly stations: readonly (ListeningStation & { readonly clocks?: readonly ClockReading[] })[];
  readonly files: readonly CarouselFile[];
  readonly sendings?: readonly FileSending[];
  readonly target: number;
  /** Seconds of one transmission as received, and as planned for the next downlink; the latter is the former unless given. */
  readonly frameSeconds?: number;
  readonly plannedFrameSeconds?: number;
  /** What the mission file says; refined from the receptions. */
  readonly rotationSeconds?: number;
  /** What the user says: taken as it is. */
  readonly fixedRotationSeconds?: number;
  /** Segments still missing: how often they alone have to be sent is then told too. */
  readonly missing?: number;
  readonly effort?: Effort;
  /** Default 1: the same answer each time. */
  readonly seed?: number;
};

export type RepeatsRow = {
  readonly stations: readonly string[];
  /** Share of the transmissions received while anyone listened, with its 95 % interval. */
  readonly probability: number;
  readonly interval: readonly [number, number];
  /** Repeats of everything, in one rotation where one is known, for the target; fewest and most by the 90 % interval; `null` = none. */
  readonly repeats: number | null;
  readonly repeatsInterval: readonly [number | null, number | null];
  readonly curve: readonly RepeatsPoint[];
  /** Rotations until everything is in with the target's chance as the carousel was sent; `null` = more than were tried, or no rotation. */
  readonly rotations: number | null;
  readonly byRotations: readonly RotationsPoint[];
};

export type RotationEstimate = {
  /** In transmissions, and in seconds where the rate is known. */
  readonly period: number;
  readonly seconds: number | null;
  /** 95 % interval of `period`; `null` where it could not be told. */
  readonly interval: readonly [number, number] | null;
  /** By what fraction each is longer than the one before. */
  readonly drift: number;
  readonly turns: number;
  readonly source: 'receptions' | 'mission file' | 'given';
};

export type RepeatsEstimate = {
  readonly target: number;
  /** Segments that have to arrive. */
  readonly segments: number;
  /** Transmissions in the time anyone listened. */
  readonly sent: number;
  readonly frameSeconds: number | null;
  readonly rotation: RotationEstimate | null;
  /** Repeats of everything that fit in one rotation; `null` where no rotation is known. */
  readonly fitPerRotation: number | null;
  /** All stations together first, then each alone. */
  readonly rows: readonly RepeatsRow[];
  readonly files: readonly {
    readonly id: string;
    readonly segments: number;
    readonly repeats: number | null;
    readonly fitPerRotation: number | null;
  }[];
  /** Repeats of the missing segments alone, by all stations together, in one rotation where one is known; `null` = none missing, or none. */
  readonly missingRepeats: number | null;
  /** Rotations until everything is in with the target's chance, at so many repeats in each, phases spread; `null` = more than tried. */
  readonly rotationsFor: readonly { readonly repeats: number; readonly rotations: number | null }[];
  readonly stations: readonly StationEstimate[];
  readonly correlations: readonly LossCorrelation[];
  /** Share of frames that all lose together; 0 where no such losses show. */
  readonly sharedLoss: number;
  readonly cycle: { readonly transmissions: number; readonly observed: boolean };
  readonly resonance: Resonance | null;
  readonly notes: readonly string[];
};

/** The estimate of a campaign: with names, and what to send next. */
export type Estimate = RepeatsEstimate & {
  readonly mission: string;
  /** Names of the files by id. */
  readonly names: Readonly<Record<string, string>>;
  readonly sendNext: SendNext;
};

export function estimateRepeats(input: RepeatsInput): RepeatsEstimate {
  const {
    target,
    frameSeconds,
    plannedFrameSeconds = frameSeconds,
    missing = 0,
    effort = FULL_EFFORT,
    seed = 1,
  } = input;
  const stations = input.stations.filter(({ received }) => received.length > 0);
  const names = stations.map(({ name }) => name);
  const carousel = findCarousel(input.files, input.sendings ?? []);
  const segments = carousel.files.reduce((sum, file) => sum + file.segments, 0);
  const inFrames = (seconds: number | undefined): number | undefined =>
    seconds !== undefined && frameSeconds !== undefined ? seconds / frameSeconds : undefined;
  const expected = inFrames(input.rotationSeconds);
  const fixed = inFrames(input.fixedRotationSeconds);
  const rotation = findRotation(stations, {
    ...(expected !== undefined && { expected }),
    ...(fixed !== undefined && { fixed }),
  });
  const ratio =
    frameSeconds !== undefined && plannedFrameSeconds !== undefined ? frameSeconds / plannedFrameSeconds : 1;
  const adapt = (channel: Channel): Channel => atRate(channel, ratio);
  const listened = unionRanges(stations.map((station) => station.listened));

  const row = (
    chosen: readonly ListeningStation[],
    effort: Effort,
  ): { row: RepeatsRow; curve: RepeatsCurve | null } => {
    const own = chosen.map(({ name }) => name);
    const received = intersectRanges(unionRanges(chosen.map((station) => station.received)), listened);
    const probability = listened.length === 0 ? 0 : rangesLength(received) / rangesLength(listened);
    // Stretches are the independent trials, not frames.
    const interval = wilsonInterval(probability, Math.max(1, received.length));
    const common = { stations: own, probability, interval };
    if (!rotation || segments === 0)
      return { row: { ...common, ...closedForm(probability, interval, segments, target) }, curve: null };
    const request = { rotation, names: own, carousel, target, effort, seed, adapt };
    const curve = repeatsCurve(request);
    const asSent = rotationsCurve(request);
    const { points, repeats, repeatsInterval } = curve;
    const byRotations = { rotations: asSent.rotations, byRotations: asSent.points };
    return { row: { ...common, repeats, repeatsInterval, curve: points, ...byRotations }, curve };
  };
  const together = row(stations, effort);
  const alone =
    stations.length > 1
      ? stations.map((station) => row([station], effort === FULL_EFFORT ? QUICK_EFFORT : LIGHT_EFFORT).row)
      : [];
  const channel =
    rotation && segments > 0 ? adapt(fitChannel(rotation.period, names, turnRecords(rotation, names))) : null;
  const perRotation = channel ? Math.floor(channel.period / segments) : null;
  const clocks =
    frameSeconds === undefined
      ? []
      : stationClocks(
          stations.map(({ name, clocks = [] }) => ({ name, clocks })),
          frameSeconds,
        );
  return {
    target,
    segments,
    sent: rangesLength(listened),
    frameSeconds: plannedFrameSeconds ?? null,
    rotation: rotation && {
      period: rotation.period,
      seconds: frameSeconds === undefined ? null : rotation.period * frameSeconds,
      interval: rotation.periodInterval,
      drift: rotation.drift,
      turns: rotation.turns,
      source:
        fixed !== undefined
          ? 'given'
          : rotation.periodInterval === null && expected !== undefined
            ? 'mission file'
            : 'receptions',
    },
    fitPerRotation: perRotation,
    rows: [together.row, ...alone],
    files: carousel.files.map(({ id, segments: own }, i) => ({
      id,
      segments: own,
      repeats: together.curve?.files[i] ?? repeatsNeededOr(together.row, own, target, together.curve),
      fitPerRotation: channel ? Math.floor(channel.period / own) : null,
    })),
    missingRepeats:
      rotation && missing > 0
        ? repeatsCurve({
            rotation,
            names,
            target,
            seed,
            adapt,
            effort: LIGHT_EFFORT,
            carousel: findCarousel([{ id: '', segments: missing }], []),
          }).repeats
        : null,
    rotationsFor: channel ? spreadRotations(channel, segments, together.curve, target, seed) : [],
    stations: stations.map((station) => stationEstimate(station, rotation, channel, clocks)),
    correlations: rotation ? correlations(rotation, names) : [],
    sharedLoss: channel?.shared ? stationaryLoss(channel.shared) : 0,
    cycle: { transmissions: carousel.cycle, observed: carousel.observed },
    resonance: channel ? findResonance(channel, carousel, { target, drawn: CAMPAIGNS_DRAWN, seed }) : null,
    notes: notesOn(input, rotation, carousel),
  };
}

function repeatsNeededOr(row: RepeatsRow, segments: number, target: number, curve: RepeatsCurve | null): number | null {
  return curve ? null : repeatsNeeded(row.probability, segments, target);
}

/** Without a rotation: every sending of a segment has the same chance, and repeats are far apart against bursts. */
function closedForm(
  probability: number,
  interval: readonly [number, number],
  segments: number,
  target: number,
): Pick<RepeatsRow, 'repeats' | 'repeatsInterval' | 'curve' | 'rotations' | 'byRotations'> {
  const [low, high] = interval;
  const most = Math.min(64, (repeatsNeeded(low, segments, target) ?? 60) + 4);
  return {
    repeats: repeatsNeeded(probability, segments, target),
    repeatsInterval: [repeatsNeeded(high, segments, target), repeatsNeeded(low, segments, target)],
    curve: Array.from({ length: most }, (_, i) => ({
      repeats: i + 1,
      chance: completionChance(probability, i + 1, segments),
      interval: [completionChance(low, i + 1, segments), completionChance(high, i + 1, segments)] as const,
    })),
    rotations: null,
    byRotations: [],
  };
}

/** A count of repeats and 0.38 less: each rotation's repeats then fall between those of the rotations before (golden section). */
const GOLDEN = 0.382;

function spreadRotations(
  channel: Channel,
  segments: number,
  curve: RepeatsCurve | null,
  target: number,
  seed: number,
): RepeatsEstimate['rotationsFor'] {
  const most = Math.min(12, Math.max(3, curve?.repeats ?? 12));
  return Array.from({ length: most }, (_, i) => {
    const repeats = i + 1;
    const evenly = curve?.points[i];
    if (curve?.repeats && repeats >= curve.repeats && evenly && evenly.chance >= target)
      return { repeats, rotations: 1 };
    const cycle = Math.max(1, Math.round(channel.period / (repeats - GOLDEN)));
    const needed = Math.min(cycle, segments);
    const order = { segments: needed, segmentAt: (at: number) => (at % cycle < needed ? at % cycle : -1) };
    const rotations = atShare(rotationsToComplete(channel, order, { drawn: 100, most: MOST_ROTATIONS, seed }), target);
    // One rotation is enough only where the count above says so.
    return { repeats, rotations: rotations === null ? null : Math.max(2, rotations) };
  });
}
