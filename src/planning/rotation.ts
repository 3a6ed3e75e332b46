// The rotation of the spacecraft from the on and off of reception: a first period from the Lomb-Scargle periodograms of all
// stations together, then a straight line (a parabola where it drifts) through the middles of the views, turn by turn.
import { intersectRanges } from '../bytes/ranges.js';
import { periodogram, type Samples, weightedScatter } from './periodogram.js';
import { median, studentQuantile } from './quantiles.js';
import type { TurnClock } from './turn-clock.js';
import { findViews, type ListeningStation, type View } from './views.js';

export type Rotation = {
  readonly clock: TurnClock;
  /** Transmissions, in the middle of what was listened to. */
  readonly period: number;
  /** 95 % interval; `null` where it was given from outside, or too little was heard to tell. */
  readonly periodInterval: readonly [number, number] | null;
  /** By what fraction each turn is longer than the one before; 0 where no drift can be told. */
  readonly drift: number;
  /** Rotations between the first and the last transmission listened to. */
  readonly turns: number;
  /** Share of the ups and downs of reception that a sine of this period explains. */
  readonly explained: number;
  /** How much later than the turn's middle the beam points at each station, transmissions. */
  readonly offsets: ReadonlyMap<string, number>;
  readonly views: ReadonlyMap<string, readonly View[]>;
};

export type RotationHint = {
  /** Period expected, transmissions: looked for within 15 % of it first, and taken as it is where too little was heard. */
  readonly expected?: number;
  /** Period known, transmissions: taken as it is. */
  readonly fixed?: number;
};

const BINS = 1536;
/** Rotations looked for in what was listened to, without a hint. */
const MOST_TURNS = 120;
const LEAST_TURNS = 2;
/** Transmissions in a rotation, and rotations heard, beyond which counters or mission file cannot be right: work and memory stay bounded. */
const LONGEST_PERIOD = 2 ** 22;
const MOST_HEARD = 10_000;
/** A slow wandering of good and bad reception explains less than this. */
const LEAST_EXPLAINED = 0.1;
/**
 * A signal that grows and fades with the pass moves the middles of the views, later before and earlier after the middle of the pass,
 * so that the period comes out too short: by a thousandth in rehearsals of 5 to 8 rotations with 2.5 dB between middle and ends.
 */
const SYSTEMATIC = 0.0012;
/** A sine explains a third or more of an on and off that is off three quarters of the time or less (from its Fourier series). */
const PLAIN = 0.33;
/** Middles of views of a real rotation scatter less than this share of it around their line. */
const MOST_SCATTER = 0.12;

/**
 * @returns `null` where no rotation shows: an antenna that does not turn, or less than two rotations heard and none given
 */
export function findRotation(stations: readonly ListeningStation[], hint: RotationHint = {}): Rotation | null {
  const heard = stations.filter(({ received, listened }) => received.length > 0 && listened.length > 0);
  if (heard.length === 0) return null;
  const start = Math.min(...heard.map(({ listened }) => listened[0]!));
  const end = Math.max(...heard.map(({ listened }) => listened.at(-1)!));
  const samples = heard.map(({ received, listened }) => binned(received, listened, start, end));
  const first = firstPeriod(samples, end - start, hint);
  if (first === null || first.period > LONGEST_PERIOD || end - start > MOST_HEARD * first.period) return null;
  const { period, explained } = first;
  const told = hint.fixed ?? hint.expected;
  if (told === undefined && explained < LEAST_EXPLAINED) return null;

  const { epoch, offsets } = middles(heard, period, start);
  let fit: Fit = { clock: { epoch, period, drift: 0 }, offsets, error: Number.NaN, freedom: 0, scatter: 0 };
  let views = viewsOf(heard, fit);
  for (let i = 0; i < 4; i++) {
    fit = fitTurns(views, fit, hint.fixed !== undefined);
    views = viewsOf(heard, fit);
  }
  const turns = (end - start) / fit.clock.period;
  // Without views enough to check the line through them, the beat itself has to be plain.
  const isPlain = fit.freedom >= 1 ? fit.scatter <= MOST_SCATTER * period : turns >= 3 && explained >= PLAIN;
  if (told === undefined && !isPlain) return null;
  const middle = turns / 2;
  const now = fit.clock.period + fit.clock.drift * middle;
  const half =
    fit.freedom > 0 ? Math.hypot(studentQuantile(0.975, fit.freedom) * fit.error, SYSTEMATIC * now) : Number.NaN;
  return {
    clock: fit.clock,
    period: now,
    periodInterval: hint.fixed === undefined && Number.isFinite(half) ? [now - half, now + half] : null,
    drift: fit.clock.drift / now,
    turns,
    explained,
    offsets: fit.offsets,
    views,
  };
}

/** Share received in each of at most `BINS` equal parts of the time line, weighted by what was listened to in it. */
function binned(received: readonly number[], listened: readonly number[], start: number, end: number): Samples {
  const width = Math.max(1, (end - start) / BINS);
  const bins = Math.ceil((end - start) / width);
  const weight = perBin(listened, start, width, bins);
  const value = perBin(intersectRanges(received, listened), start, width, bins);
  const used = [...weight.keys()].filter((bin) => weight[bin]! > 0);
  return {
    at: Float64Array.from(used, (bin) => (bin + 0.5) * width),
    value: Float64Array.from(used, (bin) => value[bin]! / weight[bin]!),
    weight: Float64Array.from(used, (bin) => weight[bin]!),
  };
}

function perBin(ranges: readonly number[], start: number, width: number, bins: number): Float64Array {
  const counts = new Float64Array(bins);
  for (let i = 0; i < ranges.length; i += 2) {
    const [from, to] = [ranges[i]! - start, ranges[i + 1]! - start];
    const last = Math.min(bins - 1, Math.floor(to / width));
    for (let bin = Math.floor(from / width); bin <= last; bin++) {
      counts[bin]! += Math.max(0, Math.min(to, (bin + 1) * width) - Math.max(from, bin * width));
    }
  }
  return counts;
}

/** The period whose sine explains most of all stations' ups and downs together. */
function firstPeriod(
  samples: readonly Samples[],
  length: number,
  hint: RotationHint,
): { period: number; explained: number } | null {
  const scatters = samples.map(weightedScatter);
  const scatter = scatters.reduce((sum, own) => sum + own, 0);
  const explain = (frequencies: Float64Array): Float64Array => {
    const sum = new Float64Array(frequencies.length);
    samples.forEach((own, i) => {
      const power = periodogram(own, frequencies);
      for (let j = 0; j < sum.length; j++) sum[j]! += scatter === 0 ? 0 : (power[j]! * scatters[i]!) / scatter;
    });
    return sum;
  };
  if (hint.fixed !== undefined) return { period: hint.fixed, explained: explain(Float64Array.of(1 / hint.fixed))[0]! };
  const { expected } = hint;
  if (expected !== undefined && length < LEAST_TURNS * expected) {
    return { period: expected, explained: explain(Float64Array.of(1 / expected))[0]! };
  }
  const search = (low: number, high: number): { period: number; explained: number } => {
    const count = Math.max(2, Math.ceil((high - low) * 8) + 1);
    const grid = Float64Array.from({ length: count }, (_, i) => (low + ((high - low) * i) / (count - 1)) / length);
    const power = explain(grid);
    const best = power.reduce((top, value, i) => (value > power[top]! ? i : top), 0);
    return { period: 1 / peakAround(grid, power, best), explained: power[best]! };
  };
  const near = expected === undefined ? undefined : search(length / expected / 1.15, length / expected / 0.85);
  if (near && near.explained >= LEAST_EXPLAINED) return near;
  const anywhere = search(1.5, MOST_TURNS);
  if (near && anywhere.explained < PLAIN) return near;
  return length < LEAST_TURNS * anywhere.period ? null : anywhere;
}

/** The top of the parabola through a peak and its neighbours. */
function peakAround(grid: Float64Array, power: Float64Array, best: number): number {
  const [before, at, after] = [power[best - 1], power[best]!, power[best + 1]];
  if (before === undefined || after === undefined) return grid[best]!;
  const bend = before - 2 * at + after;
  const shift = bend === 0 ? 0 : (before - after) / (2 * bend);
  return grid[best]! + Math.max(-1, Math.min(1, shift)) * (grid[1]! - grid[0]!);
}

/** The middle of each station's reception in the turn, and of all stations: circular means. */
function middles(
  stations: readonly ListeningStation[],
  period: number,
  start: number,
): { epoch: number; offsets: Map<string, number> } {
  const angles = stations.map(({ received }) => {
    let [x, y] = [0, 0];
    const omega = (2 * Math.PI) / period;
    for (let i = 0; i < received.length; i += 2) {
      const [from, to] = [(received[i]! - start) * omega, (received[i + 1]! - start) * omega];
      // The integral of cosine and sine over the range.
      x += Math.sin(to) - Math.sin(from);
      y += Math.cos(from) - Math.cos(to);
    }
    return Math.atan2(y, x);
  });
  const common = Math.atan2(
    angles.reduce((sum, angle) => sum + Math.sin(angle), 0),
    angles.reduce((sum, angle) => sum + Math.cos(angle), 0),
  );
  const turn = 2 * Math.PI;
  const offsets = stations.map(({ name }, i): [string, number] => {
    const late = (((angles[i]! - common + Math.PI) % turn) + turn) % turn;
    return [name, ((late - Math.PI) / turn) * period];
  });
  return { epoch: start + (((common + turn) % turn) / turn) * period, offsets: new Map(offsets) };
}

type Fit = {
  readonly clock: TurnClock;
  readonly offsets: Map<string, number>;
  /** Standard error of the period in the middle, transmissions; degrees of freedom; scatter of the views around the fit. */
  readonly error: number;
  readonly freedom: number;
  readonly scatter: number;
};

function viewsOf(stations: readonly ListeningStation[], { clock, offsets }: Fit): Map<string, View[]> {
  return new Map(
    stations.map((station) => [station.name, findViews(station, clock, offsets.get(station.name)!)] as const),
  );
}

type Middle = { readonly station: number; readonly turn: number; readonly at: number };

/** Least squares through the middles of the views heard from edge to edge: one period and drift, an offset for each station. */
function fitTurns(views: ReadonlyMap<string, readonly View[]>, before: Fit, fixed: boolean): Fit {
  const names = [...views.keys()];
  const whole = names.flatMap((name, station) =>
    views
      .get(name)!
      .filter(({ start, end, openStart, openEnd }) => start < end && !openStart && !openEnd)
      .map(({ turn, start, end }): Middle => ({ station, turn, at: (start + end) / 2 })),
  );
  if (whole.length === 0) return before;
  const points = withoutOutliers(whole);
  const turns = points.map(({ turn }) => turn);
  const centre = (Math.min(...turns) + Math.max(...turns)) / 2;
  let solved = solve(points, centre, fixed ? before.clock.period : undefined, false);
  if (!fixed && points.length >= 8 && Math.max(...turns) - Math.min(...turns) >= 5) {
    const bent = solve(points, centre, undefined, true);
    if (Math.abs(bent.drift) > 2.5 * bent.driftError) solved = bent;
  }
  if (solved.freedom < 0) return before;
  const { period, drift } = solved;
  // Offsets from the solution's station terms, which hold at turn `centre`.
  const at = solved.stations;
  const known = names.flatMap((_, i) => (at[i] === undefined ? [] : [at[i]! - before.offsets.get(names[i]!)!]));
  const shared = known.reduce((sum, value) => sum + value, 0) / known.length;
  const offsets = new Map(
    names.map((name, i) => [name, at[i] === undefined ? before.offsets.get(name)! : at[i]! - shared] as const),
  );
  const clock = {
    epoch: shared - period * centre + (drift / 2) * centre * centre,
    period: period - drift * centre,
    drift,
  };
  return { clock, offsets, error: solved.error, freedom: solved.freedom, scatter: solved.scatter };
}

type Solved = {
  period: number;
  drift: number;
  error: number;
  driftError: number;
  freedom: number;
  scatter: number;
  /** By station, the middle at turn `centre`; `undefined` where it has no view. */
  stations: (number | undefined)[];
};

function solve(points: readonly Middle[], centre: number, period: number | undefined, bent: boolean): Solved {
  const count = Math.max(...points.map(({ station }) => station)) + 1;
  const means = Array.from({ length: count }, () => ({ n: 0, x: 0, q: 0, y: 0 }));
  for (const { station, turn, at } of points) {
    const own = means[station]!;
    const x = turn - centre;
    own.n++;
    own.x += x;
    own.q += (x * x) / 2;
    own.y += at;
  }
  let [xx, xq, qq, xy, qy] = [0, 0, 0, 0, 0];
  const rows = points.map(({ station, turn, at }) => {
    const own = means[station]!;
    const x = turn - centre;
    const row = { x: x - own.x / own.n, q: (x * x) / 2 - own.q / own.n, y: at - own.y / own.n };
    xx += row.x * row.x;
    xq += row.x * row.q;
    qq += row.q * row.q;
    xy += row.x * row.y;
    qy += row.q * row.y;
    return row;
  });
  const determinant = bent ? xx * qq - xq * xq : xx;
  let slope = period ?? (bent ? (xy * qq - qy * xq) / determinant : xy / determinant);
  const drift = bent ? (qy * xx - xy * xq) / determinant : 0;
  const unknowns = (period === undefined ? 1 : 0) + (bent ? 1 : 0) + means.filter(({ n }) => n > 0).length;
  const solvable = determinant > 1e-9 && points.length >= unknowns;
  if (!solvable) slope = Number.NaN;
  const residuals = rows.map(({ x, q, y }) => y - slope * x - drift * q);
  const freedom = solvable ? points.length - unknowns : -1;
  const variance = residuals.reduce((sum, r) => sum + r * r, 0) / Math.max(1, freedom);
  return {
    period: slope,
    drift,
    error: Math.sqrt(bent ? (variance * qq) / determinant : variance / xx),
    driftError: bent ? Math.sqrt((variance * xx) / determinant) : Number.POSITIVE_INFINITY,
    freedom,
    scatter: Math.sqrt(variance),
    stations: means.map(({ n, x, q, y }) => (n === 0 ? undefined : (y - slope * x - drift * q) / n)),
  };
}

/**
 * Without views whose middle is far off the others' line, as where a long burst ate one of their edges. The line is that of the median
 * slope between two views of a station, which a few such views do not bend.
 */
function withoutOutliers(points: readonly Middle[]): readonly Middle[] {
  const pairs = points.flatMap((a, i) =>
    points.slice(i + 1).flatMap((b) => (a.station === b.station && a.turn !== b.turn ? [[a, b] as const] : [])),
  );
  if (points.length < 4 || pairs.length === 0) return points;
  const slope = median(pairs.map(([a, b]) => (b.at - a.at) / (b.turn - a.turn)));
  const stations = new Set(points.map(({ station }) => station));
  const level = new Map(
    [...stations].map((one) => [
      one,
      median(points.filter(({ station }) => station === one).map(({ turn, at }) => at - slope * turn)),
    ]),
  );
  const off = points.map(({ station, turn, at }) => Math.abs(at - slope * turn - level.get(station)!));
  const typical = median(off.filter((own) => own > 0));
  return points.filter((_, i) => off[i]! <= Math.max(2, 6 * (Number.isNaN(typical) ? 0 : typical)));
}
