// What views draw, against plain counting: columns of strips and lanes, and the arithmetic of zooming.
import fc from 'fast-check';
import { describe, expect, test } from 'vitest';
import type { Stretch } from '../../src/coverage/timeline.js';
import { codeStrip, decodeStrip } from '../../src/report/strip-code.js';
import { listenedColumns, receptionColumns, receptionSums } from '../../src/web/views/reception-columns.js';
import { fitWindow, moveWindow, zoomWindow } from '../../src/web/views/stretch-window.js';
import { barPath, missingStretches, nextMissing, stripColumns, stripSums } from '../../src/web/views/strip-columns.js';
import { placeAt, placeOf, rotationMarks } from '../../src/web/views/timeline-place.js';

const times = fc.array(fc.integer({ min: 0, max: 5 }), { minLength: 1, maxLength: 80 });
const runsOf = (counts: readonly number[]) =>
  decodeStrip(
    codeStrip({ total: counts.length, runs: counts.map((count, i): [number, number, number] => [i, i, count]) }),
  );
const windowIn = (length: number, a: number, b: number) => {
  const [from, to] = [a % length, b % length].sort((x, y) => x - y) as [number, number];
  return { start: from, end: to + 1 };
};

describe('a strip in a window', () => {
  test('has in each column the lowest count of the segments that it touches', () => {
    fc.assert(
      fc.property(times, fc.nat(), fc.nat(), fc.integer({ min: 1, max: 40 }), (counts, a, b, columns) => {
        const { start, end } = windowIn(counts.length, a, b);
        const number = Math.min(columns, end - start);
        const size = (end - start) / number;
        const expected = Array.from({ length: number }, (_, i) => {
          const [from, to] = [start + i * size, start + (i + 1) * size];
          return Math.min(
            ...counts.filter((_, at) => at >= start && at < end && at < to - 1e-9 && at + 1 > from + 1e-9),
          );
        });
        expect([...stripColumns(runsOf(counts), { start, end }, columns)]).toEqual(expected);
      }),
    );
  });

  test('sums to what plain counting gives', () => {
    fc.assert(
      fc.property(times, fc.nat(), fc.nat(), (counts, a, b) => {
        const window = windowIn(counts.length, a, b);
        const part = counts.slice(window.start, window.end);
        expect(stripSums(runsOf(counts), window)).toEqual({
          missing: part.filter((count) => count === 0).length,
          once: part.filter((count) => count === 1).length,
          several: part.filter((count) => count > 1).length,
        });
      }),
    );
  });

  test('leads to the next missing stretch, and round to the first', () => {
    const runs = runsOf([1, 0, 0, 2, 2, 0, 1]);
    expect(nextMissing(runs, 0)).toEqual({ start: 1, end: 3 });
    expect(nextMissing(runs, 2)).toEqual({ start: 5, end: 6 });
    expect(nextMissing(runs, 6)).toEqual({ start: 1, end: 3 });
    expect(nextMissing(runsOf([1, 2]), 0)).toBeNull();
    expect(missingStretches(runs, 1)).toEqual({ ranges: [[1, 2]], number: 2 });
  });

  test('is drawn by joined bars where columns are narrow, and by single ones where they are wide', () => {
    expect(barPath([1, 1, 0, 1], (value) => value * 8, 24, 4)).toBe('M0 24v-8h2v8zM3 24v-8h1v8z');
    expect(barPath([1, 1], (value) => value * 8, 24, 40)).toBe('M0 24v-8h19v8zM20 24v-8h19v8z');
  });
});

describe('a lane in a window', () => {
  const heard: Stretch[] = [
    [10, 10, 10],
    [30, 20, 5],
  ];

  test('has in each column the share received, as plain counting gives it', () => {
    fc.assert(
      fc.property(fc.nat(59), fc.nat(59), fc.integer({ min: 1, max: 30 }), (a, b, columns) => {
        const window = windowIn(60, a, b);
        const shareAt = (at: number): number => (at >= 10 && at < 20 ? 1 : at >= 30 && at < 50 ? 0.25 : 0);
        const fine = 1000;
        const size = (window.end - window.start) / columns;
        const expected = Array.from({ length: columns }, (_, i) => {
          let sum = 0;
          for (let k = 0; k < fine; k++) sum += shareAt(window.start + (i + (k + 0.5) / fine) * size);
          return sum / fine;
        });
        for (const [i, share] of receptionColumns(heard, window, columns).entries()) {
          expect(share).toBeCloseTo(expected[i]!, 1);
        }
      }),
      { numRuns: 30 },
    );
  });

  test('counts what was received and what was listened for', () => {
    const station = { name: 'saltmarsh', heard, listened: [[5, 25] as const, [30, 55] as const] };
    expect(receptionSums(station, { start: 0, end: 60 })).toEqual({ received: 15, listened: 45 });
    expect(receptionSums(station, { start: 15, end: 40 })).toEqual({ received: 8, listened: 20 });
    expect([...listenedColumns(station.listened, { start: 0, end: 60 }, 6)]).toEqual([1, 1, 1, 1, 1, 1]);
    expect([...listenedColumns(station.listened, { start: 0, end: 60 }, 12)].join('')).toBe('011110111110');
  });
});

describe('a window', () => {
  const any = fc.integer({ min: -1000, max: 2000 });

  test('never leaves the line, whatever is asked of it', () => {
    fc.assert(
      fc.property(
        fc.integer({ min: 1, max: 1000 }),
        any,
        any,
        fc.double({ min: 0.01, max: 100, noNaN: true }),
        (length, a, b, factor) => {
          const first = fitWindow(a, b, length, 8);
          for (const { start, end } of [
            first,
            zoomWindow(first, factor, 0.3, length, 8),
            moveWindow(first, factor, length),
            moveWindow(first, -factor, length),
          ]) {
            expect(start).toBeGreaterThanOrEqual(0);
            expect(end).toBeLessThanOrEqual(length);
            expect(end - start).toBeGreaterThanOrEqual(Math.min(8, length));
            expect(Number.isInteger(start) && Number.isInteger(end)).toBe(true);
          }
        },
      ),
    );
  });

  test('zooms about the point it is told, and moves by at least one', () => {
    expect(zoomWindow({ start: 0, end: 1000 }, 0.5, 0.25, 1000)).toEqual({ start: 125, end: 625 });
    expect(moveWindow({ start: 10, end: 12 }, 0.2, 100)).toEqual({ start: 11, end: 13 });
    expect(moveWindow({ start: 10, end: 12 }, -0.2, 100)).toEqual({ start: 9, end: 11 });
  });
});

describe('a place on the timeline', () => {
  const timeline = {
    runs: [
      { run: 1, at: 0, first: 100, last: 299, sentAt: 1_000_000, clocks: 1, clockSpreadSeconds: 0 },
      { run: 2, at: 210, first: 0, last: 99, sentAt: null, clocks: 0, clockSpreadSeconds: 0 },
    ],
    stations: [],
    length: 310,
    joined: 0,
    frameSeconds: 0.5,
    rotationSeconds: 30,
  };

  test('has run, counter, time and rotation', () => {
    expect(placeAt(timeline, 60)).toEqual({ run: 1, counter: 160, sentAt: 1_030_000, rotation: 2 });
    expect(placeAt(timeline, 205)).toEqual({ run: 1, counter: 299, sentAt: 1_099_500, rotation: 4 });
    expect(placeOf(timeline, 2, 59)).toEqual({ run: 2, counter: 59, sentAt: null, rotation: 1 });
    expect(placeOf(timeline, 3, 0)).toBeNull();
    expect(placeAt({ ...timeline, rotationSeconds: null }, 60)?.rotation).toBeNull();
  });

  test('rotations are marked where each begins, fewer where there is no room', () => {
    const whole = { start: 0, end: 310 };
    expect(rotationMarks(timeline, whole, 10).marks.map(({ at }) => at)).toEqual([0, 60, 120, 180, 210, 270]);
    const few = rotationMarks(timeline, whole, 3);
    expect([few.every, few.marks.map(({ rotation }) => rotation)]).toEqual([2, [1, 3, 1]]);
    expect(rotationMarks({ ...timeline, rotationSeconds: null }, whole, 10).marks).toEqual([]);
  });
});
