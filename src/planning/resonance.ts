// Whether the carousel goes round in step with the rotation, so that the same segments fall into the blind part again and again, and
// which other order would fill the holes sooner. After so many rotations a segment's repeats stand at phases i * cycle / period; it is
// missed while none of them falls into the view.
import { rangesLength } from '../bytes/ranges.js';
import type { Carousel } from './carousel-cycle.js';
import { type Channel, drawsFor, drawTurn } from './channel.js';
import { meanRandomDraws } from './closed-forms.js';
import { atShare, carouselOrder, type Order, rotationsToComplete } from './completion.js';
import { median, quantile } from './quantiles.js';

/** How the frames are ordered: as now; `frames` of filler after each turn; each turn begun `frames` later in the list; every second
 * turn backwards, with its files in reverse order, or every `frames`-th segment. */
export type OrderKind = 'as sent' | 'pause' | 'later start' | 'backwards' | 'files reversed' | 'stride';

export type OrderResult = {
  readonly kind: OrderKind;
  readonly frames: number;
  /** Rotations after which everything is in with the target's chance, and in half of all cases; `null` = more than were tried. */
  readonly rotations: number | null;
  readonly typical: number | null;
};

export type Resonance = {
  /** Turns of the carousel in one rotation. */
  readonly turnsPerRotation: number;
  /** So many turns of the carousel take nearly so many rotations; the phases then differ by `shift` of a rotation. */
  readonly ratio: { readonly turns: number; readonly rotations: number; readonly shift: number };
  /** Another order at least halves the rotations needed. */
  readonly resonant: boolean;
  readonly asSent: OrderResult;
  /** The best of those tried; as sent where no other is better. */
  readonly best: OrderResult;
  readonly tried: readonly OrderResult[];
  /** With an ideal erasure code, where any K different frames of N give the file: the limit for every order. */
  readonly ideal: OrderResult['rotations'];
  /** If every frame carried a segment drawn at random: the mean by the coupon collector's formula. */
  readonly random: number | null;
  /** Receptions each phase should get so that losses in view are made up for, and the share of the rotation in view. */
  readonly hits: number;
  readonly view: number;
  /** By frames of pause (negative: a later start) the rotations until each phase had its receptions; `null` = more than tried. */
  readonly map: readonly { readonly frames: number; readonly rotations: number | null }[];
};

export type ResonanceOptions = {
  readonly target: number;
  /** Campaigns drawn for each order. */
  readonly drawn: number;
  readonly seed: number;
};

/** Rotations looked at. */
export const MOST_ROTATIONS = 60;
const MAP_POINTS = 240;

export function findResonance(channel: Channel, carousel: Carousel, options: ResonanceOptions): Resonance {
  const { period } = channel;
  const { cycle } = carousel;
  const present = carouselOrder(carousel);
  const { segments } = present;
  const { view, received, loss } = typicalTurn(channel, options.seed);
  const hits = Math.max(1, Math.ceil(Math.log((1 - options.target) / segments) / Math.log(loss)));
  const step = Math.max(1, Math.ceil((1.5 * Math.min(cycle, period)) / MAP_POINTS));
  const map: { frames: number; rotations: number | null }[] = [];
  for (let frames = -Math.floor(cycle / 2 / step) * step; frames <= Math.min(cycle, period); frames += step) {
    map.push({ frames, rotations: rotationsToCover((cycle + frames) / period, view / period, hits) });
  }
  const rehearse = (kind: OrderKind, frames: number, order: Order): OrderResult => {
    const all = rotationsToComplete(channel, order, { ...options, most: MOST_ROTATIONS });
    return { kind, frames, rotations: atShare(all, options.target), typical: atShare(all, 0.5) };
  };
  const asSent = rehearse('as sent', 0, present);
  const tried = [
    ...bestFrames(map.filter(({ frames }) => frames > 0)).map((frames) =>
      rehearse('pause', frames, withPause(present, cycle, frames)),
    ),
    ...bestFrames(map.filter(({ frames }) => frames < 0).reverse()).map((frames) =>
      rehearse('later start', -frames, withLaterStart(present, cycle, -frames)),
    ),
    rehearse(
      'backwards',
      0,
      alternately(present, cycle, (place) => cycle - 1 - place),
    ),
    ...(carousel.files.length > 1 ? [rehearse('files reversed', 0, withFilesReversed(carousel))] : []),
    ...strides(cycle).map((stride) =>
      rehearse(
        'stride',
        stride,
        alternately(present, cycle, (place) => (place * stride) % cycle),
      ),
    ),
  ];
  const best = [asSent, ...tried].reduce((top, own) => (isBetter(own, top) ? own : top));
  const ideal = rotationsToComplete(channel, { ideal: segments }, { ...options, most: MOST_ROTATIONS });
  return {
    turnsPerRotation: period / cycle,
    ratio: nearestRatio(period / cycle),
    resonant: (asSent.rotations ?? 2 * MOST_ROTATIONS + 1) >= 2 * (best.rotations ?? Number.POSITIVE_INFINITY),
    asSent,
    best,
    tried,
    ideal: atShare(ideal, options.target),
    random: received > 0 ? meanRandomDraws(segments) / received : null,
    hits,
    view: view / period,
    map,
  };
}

function isBetter(a: OrderResult, b: OrderResult): boolean {
  const [mine, other] = [a, b].map(({ rotations }) => rotations ?? Number.POSITIVE_INFINITY) as [number, number];
  if (mine !== other) return mine < other;
  return (a.typical ?? Number.POSITIVE_INFINITY) < (b.typical ?? Number.POSITIVE_INFINITY);
}

/** Of a typical turn: transmissions from the first to the last received, those received, and the share of the former that was lost. */
function typicalTurn(channel: Channel, seed: number): { view: number; received: number; loss: number } {
  const draws = drawsFor(channel, seed);
  const turns = Array.from({ length: 60 }, () => drawTurn(channel, draws)).filter(({ length }) => length > 0);
  if (turns.length === 0) return { view: 0, received: 0, loss: 0.5 };
  const sizes = turns.map(rangesLength);
  const views = turns.map((ranges) => ranges.at(-1)! - ranges[0]!);
  const loss = 1 - sum(sizes) / sum(views);
  // A narrow one of them, so that an order does not live from the good turns alone.
  return { view: quantile(views, 0.2), received: median(sizes), loss: Math.min(0.5, Math.max(1e-4, loss)) };
}

function sum(numbers: readonly number[]): number {
  return numbers.reduce((total, number) => total + number, 0);
}

/**
 * Rotations until every phase met the view `hits` times, when the carousel's turns are `step` of a rotation apart.
 *
 * @param view share of the rotation in view
 */
export function rotationsToCover(step: number, view: number, hits: number): number | null {
  const phases: number[] = [];
  let next = 0;
  for (let rotation = 1; rotation <= MOST_ROTATIONS; rotation++) {
    for (; next * step < rotation; next++) {
      const phase = (next * step) % 1;
      let at = phases.length;
      while (at > 0 && phases[at - 1]! > phase) at--;
      phases.splice(at, 0, phase);
    }
    if (phases.length >= hits && phases.every((phase, i) => ahead(phases, i + hits) - phase <= view)) return rotation;
  }
  return null;
}

function ahead(phases: readonly number[], index: number): number {
  const turns = Math.floor(index / phases.length);
  return phases[index - turns * phases.length]! + turns;
}

/** Of the settings with the fewest rotations the smallest, and the middle of the longest row of them, where the period may be off. */
function bestFrames(map: Resonance['map']): number[] {
  const fewest = Math.min(...map.map(({ rotations }) => rotations ?? Number.POSITIVE_INFINITY));
  if (!Number.isFinite(fewest)) return [];
  let [longest, at] = [0, 0];
  for (let i = 0, row = 0; i < map.length; i++) {
    row = map[i]!.rotations === fewest ? row + 1 : 0;
    if (row > longest) [longest, at] = [row, i - Math.floor(row / 2)];
  }
  const first = map.find(({ rotations }) => rotations === fewest)!.frames;
  return [...new Set([first, map[at]!.frames])];
}

/** Small numbers without a common divisor with the cycle, so that every place comes once. */
function strides(cycle: number): number[] {
  const divides = (a: number, b: number): number => (b === 0 ? a : divides(b, a % b));
  const near = (wanted: number): number | undefined => {
    for (let stride = wanted; stride < cycle; stride++) if (divides(stride, cycle) === 1) return stride;
    return undefined;
  };
  return [...new Set([near(2), near(Math.round(cycle * 0.382))])].filter((stride) => stride !== undefined);
}

/** The turns p of the carousel in q rotations, up to 6, that come nearest to a whole number for their size. */
function nearestRatio(turnsPerRotation: number): Resonance['ratio'] {
  let best = { turns: 1, rotations: 1, shift: Number.POSITIVE_INFINITY };
  for (let rotations = 1; rotations <= 6; rotations++) {
    const turns = Math.max(1, Math.round(rotations * turnsPerRotation));
    const shift = Math.abs(turns / turnsPerRotation - rotations);
    if (shift * rotations < best.shift * best.rotations - 1e-12) best = { turns, rotations, shift };
  }
  return best;
}

export function withPause({ segments, segmentAt }: Order, cycle: number, frames: number): Order {
  return {
    segments,
    segmentAt: (transmission) => {
      const place = transmission % (cycle + frames);
      return place < cycle ? segmentAt(place) : -1;
    },
  };
}

export function withLaterStart({ segments, segmentAt }: Order, cycle: number, frames: number): Order {
  return {
    segments,
    segmentAt: (transmission) =>
      segmentAt(((transmission % cycle) + Math.floor(transmission / cycle) * frames) % cycle),
  };
}

/** Every second turn in another order of its places. */
export function alternately({ segments, segmentAt }: Order, cycle: number, reorder: (place: number) => number): Order {
  return {
    segments,
    segmentAt: (transmission) => {
      const place = transmission % cycle;
      return segmentAt(Math.floor(transmission / cycle) % 2 === 0 ? place : reorder(place));
    },
  };
}

function withFilesReversed(carousel: Carousel): Order {
  const present = carouselOrder(carousel);
  const places: number[] = [];
  for (const { place, segments } of [...carousel.files].reverse())
    for (let i = 0; i < segments; i++) places.push(place + i);
  const { cycle } = carousel;
  const filler = Array.from({ length: cycle }, (_, place) => place).filter((place) => present.segmentAt(place) < 0);
  const order = [...places, ...filler];
  return alternately(present, cycle, (place) => order[place]!);
}
