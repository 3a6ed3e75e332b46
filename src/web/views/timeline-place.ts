// What lies at a position of the timeline: on-board run and counter, when it was sent, in which rotation; and marks to orient by.
import type { Timeline, TimelineRun } from '../../coverage/timeline.js';
import type { StretchWindow } from './stretch-window.js';

export type TimelinePlace = {
  readonly run: number;
  readonly counter: number;
  /** Milliseconds since 1970 UTC; `null` where no clock tells. */
  readonly sentAt: number | null;
  /** From 1 in each on-board run, counted from its first frame received; `null` where rotation or rate are unknown. */
  readonly rotation: number | null;
};

/** Positions of one rotation, `null` where unknown. */
export function rotationLength({ frameSeconds, rotationSeconds }: Timeline): number | null {
  return frameSeconds && rotationSeconds ? rotationSeconds / frameSeconds : null;
}

/** What lies at `position`; in a break between runs, the end of the run before. */
export function placeAt(timeline: Timeline, position: number): TimelinePlace | null {
  const run = timeline.runs.findLast(({ at }) => at <= position) ?? timeline.runs[0];
  return run ? placeIn(timeline, run, Math.min(run.last, run.first + position - run.at)) : null;
}

/** The same for a counter that is known; `null` where the run is none of the timeline's. */
export function placeOf(timeline: Timeline, run: number, counter: number): TimelinePlace | null {
  const own = timeline.runs.find((each) => each.run === run);
  return own ? placeIn(timeline, own, counter) : null;
}

function placeIn(timeline: Timeline, { run, first, sentAt }: TimelineRun, counter: number): TimelinePlace {
  const { frameSeconds } = timeline;
  const turn = rotationLength(timeline);
  return {
    run,
    counter,
    sentAt: sentAt === null || frameSeconds === null ? null : sentAt + (counter - first) * frameSeconds * 1000,
    rotation: turn === null || counter < first ? null : Math.floor((counter - first) / turn) + 1,
  };
}

export type RotationMark = { readonly at: number; readonly rotation: number };

/** Where rotations begin in the window; where there are more than `most`, only every so-many-th. */
export function rotationMarks(
  timeline: Timeline,
  window: StretchWindow,
  most: number,
): { marks: RotationMark[]; every: number } {
  const turn = rotationLength(timeline);
  if (turn === null) return { marks: [], every: 1 };
  const least = Math.max(1, (window.end - window.start) / turn / most);
  const every =
    [1, 2, 5]
      .flatMap((n) => [0, 1, 2, 3, 4, 5].map((power) => n * 10 ** power))
      .sort((a, b) => a - b)
      .find((n) => n >= least) ?? least;
  const marks = timeline.runs.flatMap(({ at, first, last }) => {
    const inside: RotationMark[] = [];
    const from = Math.max(0, Math.ceil((window.start - at) / turn / every) * every);
    for (let k = from; at + k * turn < Math.min(window.end, at + last - first + 1); k += every) {
      inside.push({ at: at + k * turn, rotation: k + 1 });
    }
    return inside;
  });
  return { marks, every };
}
