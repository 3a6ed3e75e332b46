// The channel as it was met, ready to be drawn from: in a rotation each station has the spacecraft in view for a stretch like one of
// those observed, and in there loses frames in bursts, some of its own and some shared by all stations.
import { subtractRanges, unionRanges } from '../bytes/ranges.js';
import { type Bursts, drawLosses, fitBursts, stationaryLoss, type Transitions, withLoss } from './gilbert-elliott.js';
import { median } from './quantiles.js';
import type { Rotation } from './rotation.js';
import { below, normal, type Random, seeded } from './seeded.js';
import { addJointLosses, type JointLosses, jointLosses, sharedLoss } from './shared-loss.js';
import { transmissionAt } from './turn-clock.js';
import type { View } from './views.js';

/** A station's view in one turn, relative to the turn's middle; transmissions. */
type Edges = { readonly from: number; readonly to: number };

/** What one rotation showed: each station's view and losses, and those that two stations had together. */
export type TurnRecord = {
  readonly views: ReadonlyMap<string, { readonly edges: Edges | null; readonly transitions: Transitions }>;
  readonly joint: readonly JointLosses[];
};

export type StationChannel = {
  readonly name: string;
  /** Of its losses in view, shared ones not counted. */
  readonly own: Bursts;
  /** By turn; `undefined` where it did not listen. */
  readonly views: readonly (Edges | undefined)[];
  /** Width by which views are smeared when drawn, transmissions. */
  readonly smear: number;
};

export type Channel = {
  /** Transmissions of one turn. */
  readonly period: number;
  readonly stations: readonly StationChannel[];
  readonly shared: Bursts | null;
  /** Turns observed. */
  readonly turns: number;
};

const NOTHING: Edges = { from: 0, to: 0 };

/** The same channel at another rate: `ratio` times as many transmissions in the same time, bursts as many frames long. */
export function atRate(channel: Channel, ratio: number): Channel {
  if (ratio === 1) return channel;
  const stations = channel.stations.map((station) => ({
    ...station,
    smear: station.smear * ratio,
    views: station.views.map((view) => view && { from: view.from * ratio, to: view.to * ratio }),
  }));
  return { ...channel, period: channel.period * ratio, stations };
}

/** Sorts what was heard by rotation, the turns at the ends of recordings completed by symmetry about the station's middle. */
export function turnRecords(rotation: Rotation, names: readonly string[]): TurnRecord[] {
  const byTurn = new Map<number, Map<string, View>>();
  for (const name of names) {
    const all = rotation.views.get(name) ?? [];
    // With no view from edge to edge, or to one edge at least, what was heard is all that is known.
    const asHeard = all.every(({ openStart, openEnd }) => openStart && openEnd);
    for (const seen of all) {
      const view = asHeard ? { ...seen, openStart: false, openEnd: false } : seen;
      const own = byTurn.get(view.turn) ?? new Map<string, View>();
      byTurn.set(view.turn, own.set(name, view));
    }
  }
  return [...byTurn]
    .sort((a, b) => a[0] - b[0])
    .map(([turn, views]): TurnRecord => {
      const middle = transmissionAt(rotation.clock, turn);
      const all = [...views.values()];
      return {
        views: new Map(
          [...views].map(([name, view]) => [
            name,
            { edges: edgesOf(view, middle, rotation.offsets.get(name)!), transitions: view.transitions },
          ]),
        ),
        joint: all.flatMap((a, i) => all.slice(i + 1).map((b) => jointLosses(a, b))),
      };
    });
}

/** `null` where both ends are the recording's own. */
function edgesOf({ start, end, openStart, openEnd }: View, middle: number, offset: number): Edges | null {
  if (start === end) return NOTHING;
  let [from, to] = [start - middle, end - middle];
  if (openStart && openEnd) return null;
  if (openStart) from = Math.min(from, 2 * offset - to);
  if (openEnd) to = Math.max(to, 2 * offset - from);
  return { from, to };
}

/** The likeliest channel for these turns, each as often as it is listed. */
export function fitChannel(period: number, names: readonly string[], turns: readonly TurnRecord[]): Channel {
  const joint = addJointLosses(turns.flatMap((turn) => turn.joint));
  const s = names.length > 1 ? sharedLoss(joint) : 0;
  const stations = names.map((name): StationChannel => {
    const seen = turns.map(({ views }) => views.get(name));
    const all = fitBursts(addTransitions(seen.flatMap((view) => (view ? [view.transitions] : []))));
    const loss = Math.max(0, (stationaryLoss(all) - s) / (1 - s));
    const views = seen.map((view) => view?.edges ?? undefined);
    return { name, own: withLoss(Math.min(0.99, loss), all.leave), views, smear: smearOf(views) };
  });
  // A shared burst lasts as long as what all lost together at once, on average.
  const shared =
    s > 0 && joint.stretches > 0 ? withLoss(Math.min(0.99, s), Math.min(1, joint.stretches / joint.both)) : null;
  return { period, stations, shared, turns: turns.length };
}

export function addTransitions(counts: readonly Transitions[]): Transitions {
  const sum = { kept: 0, lost: 0, entered: 0, left: 0 };
  for (const { kept, lost, entered, left } of counts) {
    sum.kept += kept;
    sum.lost += lost;
    sum.entered += entered;
    sum.left += left;
  }
  return sum;
}

/** Bandwidth after B. W. Silverman, Density Estimation (1986), 3.4.2, of the views' widths. */
function smearOf(views: readonly (Edges | undefined)[]): number {
  const widths = views.flatMap((view) => (view && view.to > view.from ? [view.to - view.from] : []));
  if (widths.length < 2) return 0;
  const mean = widths.reduce((sum, width) => sum + width, 0) / widths.length;
  const deviation = Math.sqrt(widths.reduce((sum, width) => sum + (width - mean) ** 2, 0) / (widths.length - 1));
  return 0.9 * deviation * widths.length ** -0.2;
}

/** The width of a station's view in a typical rotation, transmissions. */
export function typicalView({ views }: StationChannel): number {
  const widths = views.flatMap((view) => (view ? [view.to - view.from] : []));
  return widths.length === 0 ? 0 : median(widths);
}

/** A stream for each cause, so that a station more changes nothing for the others. */
export type Draws = { readonly turn: Random; readonly shared: Random; readonly stations: readonly Random[] };

export function drawsFor({ stations }: Channel, seed: number): Draws {
  return {
    turn: seeded(seed, 'turn'),
    shared: seeded(seed, 'shared'),
    stations: stations.map(({ name }) => seeded(seed, `station ${name}`)),
  };
}

/** Ranges of transmissions, relative to the turn's middle, that at least one station receives in a rotation drawn from the channel. */
export function drawTurn(channel: Channel, draws: Draws): number[] {
  const turn = below(Math.max(1, channel.turns), draws.turn);
  const drawn = channel.stations.map((station, i) => drawView(station, turn, draws.stations[i]!));
  const start = Math.min(...drawn.map(({ from }) => from));
  const end = Math.max(...drawn.map(({ to }) => to));
  if (!(end > start)) return [];
  const kept = drawn.map(({ from, to }, i) =>
    to > from ? subtractRanges([from, to], drawLosses(channel.stations[i]!.own, from, to, draws.stations[i]!)) : [],
  );
  const together = kept.length === 1 ? kept[0]! : unionRanges(kept);
  return channel.shared ? subtractRanges(together, drawLosses(channel.shared, start, end, draws.shared)) : together;
}

function drawView({ views, smear }: StationChannel, turn: number, random: Random): Edges {
  let view = views[turn];
  if (!view) {
    const known = views.filter((own) => own !== undefined);
    view = known[below(known.length, random)] ?? NOTHING;
  }
  if (view.to === view.from) return NOTHING;
  const more = smear === 0 ? 0 : (smear * normal(random)) / 2;
  return { from: Math.round(view.from - more), to: Math.round(view.to + more) };
}
