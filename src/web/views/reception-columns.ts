// A lane of the timeline reduced to what can be drawn: for each column of a window the share received, and sums over the window.
import type { Stretch, TimelineStation } from '../../coverage/timeline.js';
import type { StretchWindow } from './stretch-window.js';

/** Index of the first stretch that ends after `at`. */
function firstAfter(stretches: readonly Stretch[], at: number): number {
  let low = 0;
  let high = stretches.length;
  while (low < high) {
    const middle = (low + high) >> 1;
    const [start, length] = stretches[middle]!;
    if (start + length > at) high = middle;
    else low = middle + 1;
  }
  return low;
}

/** Share received in each of `columns` equal parts of the window, 0 to 1. A stretch counts as evenly received. */
export function receptionColumns(heard: readonly Stretch[], window: StretchWindow, columns: number): Float32Array {
  const shares = new Float32Array(columns);
  const size = (window.end - window.start) / columns;
  for (let i = firstAfter(heard, window.start); i < heard.length && heard[i]![0] < window.end; i++) {
    const [start, length, received] = heard[i]!;
    const from = (Math.max(start, window.start) - window.start) / size;
    const to = (Math.min(start + length, window.end) - window.start) / size;
    for (let column = Math.floor(from); column < to && column < columns; column++) {
      shares[column]! += ((Math.min(column + 1, to) - Math.max(column, from)) * received) / length;
    }
  }
  return shares;
}

/** Transmissions received and listened for in the window; those received are rounded where stretches are cut. */
export function receptionSums(
  { heard, listened }: TimelineStation,
  { start, end }: StretchWindow,
): { received: number; listened: number } {
  let received = 0;
  for (let i = firstAfter(heard, start); i < heard.length && heard[i]![0] < end; i++) {
    const [from, length, there] = heard[i]!;
    received += (there * (Math.min(from + length, end) - Math.max(from, start))) / length;
  }
  const heardFor = listened.reduce(
    (sum, [from, to]) => sum + Math.max(0, Math.min(to, end) - Math.max(from, start)),
    0,
  );
  return { received: Math.round(received), listened: heardFor };
}

/** 1 for columns in which the station listened at all, else 0. */
export function listenedColumns(
  listened: TimelineStation['listened'],
  window: StretchWindow,
  columns: number,
): Uint8Array {
  const there = new Uint8Array(columns);
  const scale = columns / (window.end - window.start);
  for (const [from, to] of listened) {
    there.fill(
      1,
      Math.max(0, Math.floor((from - window.start) * scale)),
      Math.max(0, Math.ceil((to - window.start) * scale)),
    );
  }
  return there;
}
