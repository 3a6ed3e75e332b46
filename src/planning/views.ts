// When each station had the spacecraft's beam: for every rotation the one stretch of transmissions in which it received more than
// it lost, and how its losses in there came in bursts.
import { intersectRanges, rangesLength } from '../bytes/ranges.js';
import type { Transitions } from './gilbert-elliott.js';
import { type TurnClock, transmissionAt, turnAt } from './turn-clock.js';

/** What one station heard of one on-board run. Ranges are half open, of transmissions in the order of sending. */
export type ListeningStation = {
  readonly name: string;
  /** Received intact. */
  readonly received: readonly number[];
  /** From the first to the last frame of each of its recordings. */
  readonly listened: readonly number[];
};

/** Share of a rotation within which a view that ends by the recording's end may go on beyond it. */
const NEAR = 0.04;

/** One station's stretch of one rotation. */
export type View = {
  readonly turn: number;
  /** Transmissions `[start, end)`; equal where nothing was received in a whole rotation of listening. */
  readonly start: number;
  readonly end: number;
  /** The recording begins or ends here or shortly beyond: the view may have been longer. */
  readonly openStart: boolean;
  readonly openEnd: boolean;
  /** Half-open ranges received in it. */
  readonly received: readonly number[];
  readonly transitions: Transitions;
};

/**
 * The views of one station, by turn. Of a turn heard only in part and without any reception nothing is said.
 *
 * @param offset how much later than the turn's middle the beam points at this station, transmissions
 */
export function findViews(station: ListeningStation, clock: TurnClock, offset: number): View[] {
  const { listened } = station;
  if (listened.length === 0) return [];
  const first = Math.round(turnAt(clock, listened[0]! - offset));
  const last = Math.round(turnAt(clock, listened.at(-1)! - offset));
  const views: View[] = [];
  for (let turn = first + 0; turn <= last; turn++) {
    const from = Math.round(transmissionAt(clock, turn - 0.5) + offset);
    const to = Math.round(transmissionAt(clock, turn + 0.5) + offset);
    const heard = intersectRanges(listened, [from, to]);
    const received = intersectRanges(station.received, heard);
    const near = NEAR * (to - from);
    const whole = rangesLength(heard) >= 0.98 * (to - from);
    const [start, end] = densestStretch(received, heard);
    if (start === end) {
      const middle = Math.round((from + to) / 2);
      if (whole) views.push(viewOf(turn, middle, middle, [], heard, near));
      continue;
    }
    views.push(viewOf(turn, start, end, intersectRanges(received, [start, end]), heard, near));
  }
  return views;
}

function viewOf(
  turn: number,
  start: number,
  end: number,
  received: number[],
  heard: readonly number[],
  near: number,
): View {
  return {
    turn,
    start,
    end,
    // A burst may have eaten the frames between the view and the recording's own end.
    openStart: start < end && heard.some((at, i) => i % 2 === 0 && at <= start && start - at <= near),
    openEnd: start < end && heard.some((at, i) => i % 2 === 1 && at >= end && at - end <= near),
    received,
    transitions: countTransitions(received),
  };
}

/** How lost and received frames follow each other in a stretch that begins and ends with a received frame. */
export function countTransitions(received: readonly number[]): Transitions {
  const runs = received.length / 2;
  if (runs === 0) return { kept: 0, lost: 0, entered: 0, left: 0 };
  const gaps = runs - 1;
  const frames = rangesLength(received);
  const between = received.at(-1)! - received[0]! - frames;
  // Out of a received state: all received frames but the last; out of a lost one: all lost frames.
  return { kept: frames - 1 - gaps, lost: between - gaps, entered: gaps, left: gaps };
}

/**
 * The stretch in which received frames outnumber lost ones by most: the likeliest place of one long "in view" between two of "not
 * in view" when frames in view arrive about as surely as the others do not (maximum-sum interval, J. Bentley, CACM 27, 1984).
 */
function densestStretch(received: readonly number[], heard: readonly number[]): [number, number] {
  let [best, bestStart, bestEnd] = [0, 0, 0];
  let [sum, start] = [0, 0];
  for (let i = 0; i < received.length; i += 2) {
    const [from, to] = [received[i]!, received[i + 1]!];
    const lost = i === 0 ? 0 : rangesLength(intersectRanges(heard, [received[i - 1]!, from]));
    sum -= lost;
    if (sum <= 0) [sum, start] = [0, from];
    sum += to - from;
    if (sum > best) [best, bestStart, bestEnd] = [sum, start, to];
  }
  return [bestStart, bestEnd];
}
