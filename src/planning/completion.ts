// The chance that everything arrives, by drawing rotations from the fitted channel and laying the carousel over them.
import type { Carousel } from './carousel-cycle.js';
import { type Channel, type Draws, drawsFor, drawTurn } from './channel.js';
import { seeded } from './seeded.js';

/** Which segment each transmission carries: 0 to `segments` - 1, or -1 for filler. */
export type Order = { readonly segments: number; readonly segmentAt: (transmission: number) => number };

/** For each count of repeats in turn, in how many of the drawn rotations everything arrived, and each file. */
export type CompletionCounts = { readonly drawn: number; readonly all: number[]; readonly files: number[][] };

/**
 * One rotation with everything sent k times in it, evenly spaced: a cycle of period / k. Where more would have to be sent than fits,
 * segments are taken closer together, as a higher rate would send them.
 *
 * @param repeats the counts k to try
 * @param drawn rotations to draw; the phase at which the carousel meets the rotation is drawn with each
 */
export function countCompletions(
  channel: Channel,
  carousel: Pick<Carousel, 'files'>,
  repeats: readonly number[],
  drawn: number,
  seed: number,
): CompletionCounts {
  const { files } = carousel;
  const total = files.reduce((sum, { segments }) => sum + segments, 0);
  const draws = drawsFor(channel, seed);
  const start = seeded(seed, 'start');
  const plans = repeats.map((k) => {
    const cycle = Math.max(1, Math.round(channel.period / k));
    const scale = Math.min(1, cycle / total);
    let place = 0;
    const parts = files.map(({ segments }): [number, number] => {
      const from = place;
      place += segments;
      return [
        Math.floor(from * scale + 1e-9),
        Math.max(Math.floor(from * scale + 1e-9) + 1, Math.ceil(place * scale - 1e-9)),
      ];
    });
    return { cycle, needed: Math.min(cycle, total), marks: new Uint8Array(cycle), parts };
  });
  const all = repeats.map(() => 0);
  const perFile = repeats.map(() => files.map(() => 0));
  for (let trial = 0; trial < drawn; trial++) {
    const received = drawTurn(channel, draws);
    const shift = start();
    plans.forEach(({ cycle, needed, marks, parts }, k) => {
      const offset = Math.floor(shift * cycle) + cycle * Math.ceil(channel.period);
      marks.fill(0);
      for (let i = 0; i < received.length; i += 2) {
        mark(marks, (received[i]! + offset) % cycle, Math.min(received[i + 1]! - received[i]!, cycle));
      }
      // One way through the marks for all files, which lie one behind the other.
      let open = marks.indexOf(0);
      const complete = open < 0 || open >= needed;
      if (complete) all[k]!++;
      parts.forEach(([from, to], file) => {
        if (open >= 0 && open < from) open = marks.indexOf(0, from);
        if (complete || open < 0 || open >= to) perFile[k]![file]!++;
      });
    });
  }
  return { drawn, all, files: perFile };
}

/** Marks `count` places from `at` on, beginning again at the end. */
function mark(marks: Uint8Array, at: number, count: number): void {
  const end = Math.min(marks.length, at + count);
  // A call for each short run would cost more than the run.
  if (end - at > 48) marks.fill(1, at, end);
  else for (let i = at; i < end; i++) marks[i] = 1;
  if (at + count > end) mark(marks, 0, at + count - end);
}

/** The carousel as it is, from turn to turn without a pause. */
export function carouselOrder({ cycle, files }: Carousel): Order {
  const segments = files.reduce((sum, file) => sum + file.segments, 0);
  const content = new Int32Array(cycle).fill(-1);
  let number = 0;
  for (const { place, segments: own } of files) for (let i = 0; i < own; i++) content[place + i] = number++;
  return { segments, segmentAt: (transmission) => content[transmission % cycle]! };
}

/**
 * In which rotation everything was in, for each of `drawn` campaigns (fewer where they are very many transmissions); Infinity
 * where `most` rotations were not enough.
 *
 * @param order `null` stands for an ideal erasure code: any as many different transmissions as there are segments will do
 */
export function rotationsToComplete(
  channel: Channel,
  order: Order | { readonly ideal: number },
  options: { readonly drawn: number; readonly most: number; readonly seed: number },
): number[] {
  const start = seeded(options.seed, 'start');
  const count = 'ideal' in order ? order.ideal : order.segments;
  const least = Math.min(20, Math.max(3, Math.ceil(2_000_000 / count)));
  const affordable = Math.max(least, Math.ceil((options.drawn * 20_000) / channel.period));
  const drawn = Math.min(options.drawn, affordable);
  const marks = new Int32Array(count);
  return Array.from({ length: drawn }, (_, i) => {
    const from = Math.floor(start() * 2 ** 20);
    // The same luck for each campaign, whatever order is tried.
    const draws = drawsFor(channel, options.seed * 65_537 + i);
    return 'ideal' in order
      ? campaignOfIdeal(channel, order.ideal, draws, options.most)
      : campaign(channel, order, draws, options.most, marks, i + 1, from);
  });
}

function campaign(
  channel: Channel,
  { segments, segmentAt }: Order,
  draws: Draws,
  most: number,
  marks: Int32Array,
  trial: number,
  from: number,
): number {
  let open = segments;
  for (let turn = 0; turn < most; turn++) {
    const received = drawTurn(channel, draws);
    const middle = from + Math.round((turn + 1) * channel.period);
    for (let i = 0; i < received.length; i += 2) {
      for (let at = received[i]!; at < received[i + 1]!; at++) {
        const segment = segmentAt(middle + at);
        if (segment < 0 || marks[segment] === trial) continue;
        marks[segment] = trial;
        if (--open === 0) return turn + 1;
      }
    }
  }
  return Number.POSITIVE_INFINITY;
}

function campaignOfIdeal(channel: Channel, wanted: number, draws: Draws, most: number): number {
  let open = wanted;
  for (let turn = 0; turn < most; turn++) {
    const received = drawTurn(channel, draws);
    for (let i = 0; i < received.length; i += 2) open -= received[i + 1]! - received[i]!;
    if (open <= 0) return turn + 1;
  }
  return Number.POSITIVE_INFINITY;
}

/** The value that a share of all stays at or below; `null` where that is infinite. */
export function atShare(rotations: readonly number[], share: number): number | null {
  const sorted = [...rotations].sort((a, b) => a - b);
  const at = sorted[Math.max(0, Math.ceil(share * sorted.length - 1e-9) - 1)]!;
  return Number.isFinite(at) ? at : null;
}
