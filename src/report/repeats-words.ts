// The repeats estimate in words, for the terminal and the page: the answer first, then what it rests on.

import type { RepeatsEstimate, RepeatsRow, RotationEstimate } from '../planning/estimate-repeats.js';
import type { OrderResult, Resonance } from '../planning/resonance.js';
import type { NextFile } from '../planning/send-next.js';
import { count, counted, sizeText } from './quantity.js';

/** What everyone who plans a transmission is told. */
export const CAUTION =
  'This is an estimate from what was received; the next rotations may differ. Before anything is sent: the licence, transmit time, power and duty limits, and local rules come first.';

/** The answer in one or more sentences. Station names in it are as given. */
export function repeatsAnswer(estimate: RepeatsEstimate): string[] {
  const { target, segments, rotation, fitPerRotation, rows } = estimate;
  const all = rows[0];
  if (segments === 0 || !all) return ['Nothing is known of the files yet, so no count of repeats can be told.'];
  const wish = `a chance of ${percentText(target)} that all ${counted(segments, 'segment')} arrive`;
  if (!rotation) {
    return all.repeats === null
      ? [`For ${wish} no count of repeats is enough: hardly anything was received.`]
      : [
          `For ${wish}, send everything ${times(all.repeats)} in all (90 % interval: ${rangeWords(all.repeatsInterval)}).`,
        ];
  }
  const wanted =
    all.repeats === null
      ? `For ${wish} within one rotation, more repeats would be needed than were tried.`
      : `For ${wish} within one rotation, everything has to be sent ${times(all.repeats)} in it (90 % interval: ${rangeWords(all.repeatsInterval)}).`;
  return [wanted, ...fitWords(fitPerRotation, all)];
}

function fitWords(fit: number | null, all: RepeatsRow): string[] {
  if (fit === null) return [];
  if (all.repeats !== null && all.repeats <= fit)
    return [`That fits: at this rate ${counted(fit, 'repeat')} of everything fit in one rotation.`];
  const most =
    fit === 0
      ? 'not even one repeat of everything fits'
      : `at most ${counted(fit, 'repeat')} of everything ${fit === 1 ? 'fits' : 'fit'}`;
  const instead =
    all.rotations === null
      ? 'As it goes round now, no number of rotations that was tried is enough.'
      : `As it goes round now, ${counted(all.rotations, 'rotation')} ${all.rotations === 1 ? 'is' : 'are'} needed.`;
  return [`That is not reachable in this rotation at this rate: ${most}. ${instead}`];
}

export function rotationWords({ period, seconds, interval, drift, turns, source }: RotationEstimate): string {
  const scale = seconds === null ? null : seconds / period;
  const length =
    scale === null
      ? `${period.toFixed(1)} transmissions`
      : `${(period * scale).toFixed(2)} s (${period.toFixed(1)} transmissions)`;
  const known = interval
    ? `, 95 % interval ${interval.map((end) => (scale === null ? end.toFixed(1) : (end * scale).toFixed(2))).join(' to ')}${scale === null ? '' : ' s'}`
    : '';
  const from = {
    receptions: 'estimated from the receptions',
    'mission file': 'as the mission file says',
    given: 'as given',
  }[source];
  const slower =
    drift === 0
      ? ''
      : `; each is ${(Math.abs(drift) * 100).toFixed(3)} % ${drift > 0 ? 'longer' : 'shorter'} than the one before`;
  return `One rotation is ${length}, ${from}${known}${slower}. ${turns.toFixed(1)} rotations were listened to.`;
}

/** Whether the carousel is in step with the rotation, and what to do about it. */
export function resonanceWords({
  turnsPerRotation,
  ratio,
  resonant,
  asSent,
  best,
  ideal,
  random,
}: Resonance): string[] {
  const turns = `The carousel goes round ${turnsPerRotation.toFixed(2)} times in one rotation`;
  const near = `; ${counted(ratio.turns, 'turn')} of it ${ratio.turns === 1 ? 'takes' : 'take'} ${counted(ratio.rotations, 'rotation')} but for ${(ratio.shift * 100).toFixed(1)} % of one`;
  const head = resonant
    ? `${turns}${near}: the same segments fall into the blind part again and again.`
    : `${turns}: it is not in step with the rotation.`;
  const now = `As sent, everything is in after ${rotationsText(asSent.rotations)}`;
  const better =
    best.kind === 'as sent'
      ? 'No other order that was tried is better'
      : `With ${orderWords(best)}, after ${rotationsText(best.rotations)}${savedWords(asSent.rotations, best.rotations)}`;
  const drawn = random === null ? '' : `; were every segment drawn at random, about ${Math.ceil(random)} on average`;
  return [
    head,
    `${now}. ${better}. The limit for any order, an ideal erasure code, is ${rotationsText(ideal)}${drawn}.`,
  ];
}

function savedWords(before: number | null, after: number | null): string {
  return before === null || after === null || after >= before ? '' : `: ${counted(before - after, 'rotation')} less`;
}

export function orderWords({ kind, frames }: Pick<OrderResult, 'kind' | 'frames'>): string {
  return {
    'as sent': 'the order as sent',
    pause: `a pause or filler of ${counted(frames, 'frame')} after each turn`,
    'later start': `each turn begun ${counted(frames, 'segment')} later in the list`,
    backwards: 'every second turn sent backwards',
    'files reversed': 'the files of every second turn in reverse order',
    stride: `every second turn in steps of ${count(frames)} segments`,
  }[kind];
}

/** Whether stations lose the same frames; nothing of a single station. */
export function correlationWords({ stations, correlations, sharedLoss }: RepeatsEstimate): string[] {
  if (stations.length < 2) return [];
  const [strongest] = [...correlations].sort((a, b) => Math.abs(b.correlation) - Math.abs(a.correlation));
  if (!strongest) return ['No two stations had the spacecraft in view together.'];
  const shared =
    sharedLoss > 0
      ? `${percentText(sharedLoss)} of the frames are lost to all at once`
      : 'no losses show that hit all at once';
  return [
    `Where two stations had the spacecraft in view, the correlation of their losses is at most ${strongest.correlation.toFixed(2)} (${strongest.stations.join(' and ')}); ${shared}.`,
  ];
}

/** `+17.5 s`, `−3.0 s` */
export function signedSeconds(seconds: number): string {
  return `${seconds < 0 ? '−' : '+'}${Math.abs(seconds).toFixed(1)}\u00a0s`;
}

/** `12 rotations`, or that it is more than was tried. */
export function rotationsText(rotations: number | null): string {
  return rotations === null ? 'more than 60 rotations' : counted(rotations, 'rotation');
}

/** `412,160 pixels` */
export function gainText({ gain, unit }: Pick<NextFile, 'gain' | 'unit'>): string {
  return unit === 'byte' ? sizeText(gain) : counted(gain, unit);
}

/** `98.8 %`; never 100 or 0 where it is not quite. */
export function percentText(share: number): string {
  const text = (share * 100)
    .toFixed(share > 0 && share < 1 && (share < 0.001 || share > 0.999) ? 3 : 1)
    .replace(/\.?0+$/, '');
  return `${text}\u00a0%`;
}

/** `4`, or `none`. */
export function repeatsText(repeats: number | null): string {
  return repeats === null ? 'none' : String(repeats);
}

export function rangeWords([fewest, most]: readonly [number | null, number | null]): string {
  if (fewest === null) return 'more than was tried';
  return most === null ? `${fewest} or more` : `${fewest} to ${most}`;
}

function times(repeats: number): string {
  return repeats === 1 ? 'once' : repeats === 2 ? 'twice' : `${count(repeats)} times`;
}
