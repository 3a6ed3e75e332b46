// Losses in bursts as a two-state chain: good frames arrive, bad ones are lost (E. N. Gilbert, Bell System Technical Journal 39,
// 1960; E. O. Elliott, BSTJ 42, 1963). Chances are per frame.
import { type Random, runLength } from './seeded.js';

/** Chance to go from good to bad, and back. */
export type Bursts = { readonly enter: number; readonly leave: number };

/** How often each state was followed by each, among frames one after the other. */
export type Transitions = {
  readonly kept: number;
  readonly lost: number;
  readonly entered: number;
  readonly left: number;
};

/** Share of frames lost in the long run: enter / (enter + leave). */
export function stationaryLoss({ enter, leave }: Bursts): number {
  return enter === 0 ? 0 : enter / (enter + leave);
}

/** Frames lost in one burst, on average: 1 / leave. */
export function meanBurst({ leave }: Bursts): number {
  return 1 / leave;
}

/** The chain with the given loss in the long run (below 1) and the same bursts. */
export function withLoss(loss: number, leave: number): Bursts {
  return { enter: Math.min(1, (loss * leave) / (1 - loss)), leave };
}

/**
 * The likeliest chain for observed transitions: shares of the transitions out of each state, with half an observation added to each
 * so that nothing unseen counts as impossible (H. Jeffreys' prior).
 */
export function fitBursts({ kept, lost, entered, left }: Transitions): Bursts {
  return { enter: (entered + 0.5) / (kept + entered + 1), leave: (left + 0.5) / (lost + left + 1) };
}

/**
 * By how much fewer independent trials n frames in a row are worth: the states' correlation falls by 1 - enter - leave each frame,
 * which makes the variance of a share (1 + r) / (1 - r) times as large.
 */
export function clusteringFactor({ enter, leave }: Bursts): number {
  const r = Math.min(0.9999, Math.max(0, 1 - enter - leave));
  return (1 + r) / (1 - r);
}

/** Half-open ranges of lost frames in [start, end), drawn from the chain in the long run. */
export function drawLosses(bursts: Bursts, start: number, end: number, random: Random): number[] {
  const lost: number[] = [];
  let bad = random() < stationaryLoss(bursts);
  for (let at = start; at < end; bad = !bad) {
    const length = runLength(bad ? bursts.leave : bursts.enter, random);
    if (bad) lost.push(at, Math.min(end, at + length));
    at += length;
  }
  return lost;
}
