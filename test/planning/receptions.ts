// What stations would receive of a campaign, by the rehearsal's channel and with no bytes: one baseband frame is one transmission. The
// truth is known: period, drift, views, losses of each station and those they share.
import { intersectRanges } from '../../src/bytes/ranges.js';
import type { ListeningStation } from '../../src/planning/views.js';
import { type Beam, turnsAt } from '../../src/rehearsal/beam.js';
import { type Bursts, Channel, GilbertElliott, type Link } from '../../src/rehearsal/channel.js';
import { seededRandom } from '../../src/rehearsal/random.js';

export type Truth = {
  readonly beam: Beam;
  /** Transmissions in a second. */
  readonly rate: number;
  /** Length of the pass, seconds; the same for all stations. */
  readonly seconds: number;
  readonly links: readonly Omit<Link, 'pass'>[];
  readonly edgeLossDb: number;
  /** Losses that hit all stations at once. */
  readonly shared: Bursts;
};

export const NO_BURSTS: Bursts = { enter: 0, leave: 1 };

/** A plain truth: 8 rotations of 600 transmissions, one station, a view of a third of the rotation. */
export function plainTruth(changes: Partial<Truth> = {}): Truth {
  return {
    beam: { periodSeconds: 60, driftPerTurn: 0, halfPowerDegrees: 110, floorDb: 18 },
    rate: 10,
    seconds: 480,
    links: [plainLink()],
    edgeLossDb: 0.5,
    shared: NO_BURSTS,
    ...changes,
  };
}

export function plainLink(changes: Partial<Omit<Link, 'pass'>> = {}): Omit<Link, 'pass'> {
  return { marginDb: 4, phase: 0, bursts: { enter: 0.01, leave: 0.3 }, damage: 0.002, ...changes };
}

/** What each station receives: half-open ranges of transmissions. Where in a turn the campaign begins differs from seed to seed. */
export function rehearsePass(truth: Truth, seed: number): number[][] {
  const { rate, seconds, links, beam, edgeLossDb } = truth;
  const pass = { start: 0, end: seconds, edgeLossDb };
  const begin = beginOf(seed);
  const channels = links.map(
    (link, i) => new Channel({ ...link, pass, phase: link.phase + begin }, beam, seededRandom(seed, `station ${i}`)),
  );
  const fades = new GilbertElliott(truth.shared, seededRandom(seed, 'shared'));
  const received = links.map((): number[] => []);
  for (let t = 0; t < Math.floor(seconds * rate); t++) {
    const faded = fades.step();
    channels.forEach((channel, i) => {
      if (channel.fate(t / rate) !== 'intact' || faded) return;
      const own = received[i]!;
      if (own.at(-1) === t) own[own.length - 1] = t + 1;
      else own.push(t, t + 1);
    });
  }
  return received;
}

/** As stations hand it in: recordings from the first to the last frame received. */
export function listening(
  received: readonly (readonly number[])[],
  names: readonly string[] = STATIONS,
): ListeningStation[] {
  return received.map((own, i) => ({
    name: names[i]!,
    received: own,
    listened: own.length === 0 ? [] : [own[0]!, own.at(-1)!],
  }));
}

export const STATIONS: readonly string[] = ['saltmarsh', 'highfell', 'pinebarren', 'lowquay'];

/** The period in the middle of the pass, transmissions: the derivative of `turnsAt` turned over. */
export function truePeriod({ beam, rate, seconds }: Truth): number {
  return (beam.periodSeconds * rate) / (1 - (beam.driftPerTurn * seconds) / 2 / beam.periodSeconds);
}

/** Transmissions at which the turns of a rehearsal begin: half a turn before the stations' common middle. */
export function turnStarts({ beam, rate, seconds, links }: Truth, seed: number): number[] {
  const middle = links.reduce((sum, { phase }) => sum + phase, 0) / links.length + beginOf(seed) - 0.5;
  const starts: number[] = [];
  let turn = Math.ceil(-middle) + middle;
  for (let t = 0; t < seconds * rate; t++) {
    if (turnsAt(beam, t / rate) < turn) continue;
    starts.push(t);
    turn++;
  }
  return starts;
}

/** For each whole turn of fresh rehearsals, which of its transmissions anyone received. */
export function* freshTurns(truth: Truth, seed: number, count: number): Generator<Uint8Array> {
  let made = 0;
  for (let pass = 0; made < count; pass++) {
    const own = seed * 1000 + pass;
    const starts = turnStarts(truth, own);
    const received = rehearsePass(truth, own);
    for (let turn = 0; turn + 1 < starts.length && made < count; turn++, made++) {
      const [from, to] = [starts[turn]!, starts[turn + 1]!];
      const marked = new Uint8Array(to - from);
      for (const ranges of received) {
        const inTurn = intersectRanges(ranges, [from, to]);
        for (let i = 0; i < inTurn.length; i += 2) marked.fill(1, inTurn[i]! - from, inTurn[i + 1]! - from);
      }
      yield marked;
    }
  }
}

/** The share of fresh turns in which every segment arrives when all are sent 1, 2, … `counts` times, evenly spaced. */
export function trueChances(truth: Truth, segments: number, counts: number, seed: number, turns: number): number[] {
  const complete = new Array<number>(counts).fill(0);
  const random = seededRandom(seed, 'start');
  for (const marked of freshTurns(truth, seed, turns)) {
    const shift = random.float();
    for (let k = 1; k <= counts; k++) if (isComplete(marked, k, segments, shift)) complete[k - 1]!++;
  }
  return complete.map((count) => count / turns);
}

function isComplete(marked: Uint8Array, k: number, segments: number, shift: number): boolean {
  const cycle = Math.round(marked.length / k);
  const offset = Math.floor(shift * cycle);
  for (let segment = 0; segment < Math.min(cycle, segments); segment++) {
    let there = false;
    for (let at = (segment + cycle - offset) % cycle; at < marked.length && !there; at += cycle)
      there = marked[at] === 1;
    if (!there) return false;
  }
  return true;
}

function beginOf(seed: number): number {
  return seededRandom(seed, 'begin').float();
}
