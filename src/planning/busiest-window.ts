// The part of a long campaign that is looked at together: one on-board run, and passes near enough that the rotation can be followed
// from one to the next.
import { intersectRanges, rangePairs, rangesLength, unionRanges } from '../bytes/ranges.js';
import type { ListeningStation } from './views.js';

/** A silence longer than this splits what was heard, whatever recordings say: a counter that passed its CRC by accident. */
const LONGEST_GAP = 2 ** 22;

/**
 * Of the stretches between silences longer than the longest recording, the one in which most was received; its latest part where it
 * is longer than `most`.
 *
 * @returns first and one past the last transmission; [0, 0] where nothing was received
 */
export function busiestWindow(
  stations: readonly ListeningStation[],
  most: number = Number.POSITIVE_INFINITY,
): [number, number] {
  const received = unionRanges(stations.map((station) => station.received));
  const recordings = rangePairs(unionRanges(stations.map(({ listened }) => listened)));
  const longest = Math.min(LONGEST_GAP, Math.max(0, ...recordings.map(([start, end]) => end - start)));
  const windows: [number, number][] = [];
  for (const [start, end] of rangePairs(received)) {
    const last = windows.at(-1);
    if (last && start - last[1] <= longest) last[1] = end;
    else windows.push([start, end]);
  }
  let best: [number, number] = [0, 0];
  let heard = 0;
  for (const window of windows) {
    const own = rangesLength(intersectRanges(received, window));
    if (own > heard) [best, heard] = [window, own];
  }
  return [Math.max(best[0], best[1] - most), best[1]];
}

/** What a station heard in the window, counted from its beginning. */
export function withinWindow<T extends ListeningStation>(station: T, window: readonly [number, number]): T {
  const cut = (ranges: readonly number[]): number[] => intersectRanges(ranges, window).map((at) => at - window[0]);
  return { ...station, received: cut(station.received), listened: cut(station.listened) };
}
