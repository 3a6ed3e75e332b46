// What becomes of each baseband frame on its way to one station: lost in noise (beam.ts), lost in a burst, or passed on damaged.
// Bursts follow the two-state model of E. N. Gilbert (Bell System Technical Journal 39, 1960) and E. O. Elliott (BSTJ 42, 1963).
import { type Beam, beamGainDb, frameLossProbability, type Pass, passLossDb } from './beam.js';
import type { Random } from './random.js';

/** Transition chances per baseband frame: the stationary loss is enter / (enter + leave), the mean burst 1 / leave frames. */
export type Bursts = { readonly enter: number; readonly leave: number };

/** The chain with a good state that loses nothing and a bad state that loses all; `step` tells whether this frame is lost. */
export class GilbertElliott {
  readonly #bursts: Bursts;
  readonly #random: Random;
  #bad = false;

  constructor(bursts: Bursts, random: Random) {
    this.#bursts = bursts;
    this.#random = random;
  }

  step(): boolean {
    const { enter, leave } = this.#bursts;
    this.#bad = this.#bad ? this.#random.float() >= leave : this.#random.float() < enter;
    return this.#bad;
  }
}

/** The link between the spacecraft and one station. */
export type Link = {
  readonly pass: Pass;
  /** On the beam's axis in the middle of the pass, dB; `Infinity` for a link that loses nothing to noise. */
  readonly marginDb: number;
  /** Where in a turn the axis points at the station, 0 to 1. */
  readonly phase: number;
  readonly bursts: Bursts;
  /** The chance that a received frame holds wrong bytes that the demodulator did not notice or passed on all the same. */
  readonly damage: number;
};

export type Fate = 'lost' | 'damaged' | 'intact';

export class Channel {
  readonly #link: Link;
  readonly #beam: Beam | undefined;
  readonly #random: Random;
  readonly #bursts: GilbertElliott;

  /** @param beam absent when the antenna does not turn */
  constructor(link: Link, beam: Beam | undefined, random: Random) {
    this.#link = link;
    this.#beam = beam;
    this.#random = random;
    this.#bursts = new GilbertElliott(link.bursts, random);
  }

  /** The fate of the baseband frame sent at `seconds`; to be asked for every frame in turn. */
  fate(seconds: number): Fate {
    const { pass, marginDb, phase, damage } = this.#link;
    if (seconds < pass.start || seconds >= pass.end) return 'lost';
    const gain = this.#beam === undefined ? 0 : beamGainDb(this.#beam, seconds, phase);
    const inBurst = this.#bursts.step();
    const inNoise = this.#random.float() < frameLossProbability(marginDb - passLossDb(pass, seconds) + gain);
    const wrong = this.#random.float() < damage;
    return inBurst || inNoise ? 'lost' : wrong ? 'damaged' : 'intact';
  }
}

/** Most bytes that are wrong in one damaged frame. */
const MOST_FLIPS = 12;

/**
 * Damages `record` in place, in its data field alone: whether a tool reads on after a damaged baseband header is its own affair,
 * and the truth shall not depend on it.
 *
 * @returns offsets in the data field of the bytes that are now wrong, rising
 */
export function damageDataField(record: Uint8Array, headerBytes: number, random: Random): number[] {
  const dataBytes = record.length - headerBytes;
  const flips = new Set(Array.from({ length: 1 + random.below(MOST_FLIPS) }, () => random.below(dataBytes)));
  for (const at of flips) record[headerBytes + at]! ^= 1 + random.below(255);
  return [...flips].sort((a, b) => a - b);
}
