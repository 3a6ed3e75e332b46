// The unwrapper follows the counter of one recording; what it must give is the count of frames sent since the stretch began.
import fc from 'fast-check';
import { describe, expect, test } from 'vitest';
import { CounterUnwrapper } from '../../src/segments/counter.js';
import { lossy, randomFiles, type Sent, sendCarousel } from '../support/campaign.js';

const files = randomFiles([40, 7, 90, 400]);

/** Stretch and unwrapped counter of each frame. */
function unwrap(bits: number, frames: readonly Sent[]): { stretch: number; counter: number }[] {
  const unwrapper = new CounterUnwrapper(bits);
  return frames.map(({ counter, file, segment }) => {
    const unwrapped = unwrapper.next(counter % 2 ** bits, file, segment);
    return { stretch: unwrapper.stretch, counter: unwrapped };
  });
}

/** Within a stretch, counters differ by as many frames as were sent in between. */
function expectTrueSteps(frames: readonly Sent[], unwrapped: readonly { stretch: number; counter: number }[]): void {
  const wrong = frames.filter((frame, i) => {
    const [last, own, before] = [unwrapped[i - 1], unwrapped[i]!, frames[i - 1]];
    return last?.stretch === own.stretch && own.counter - last.counter !== frame.time - before!.time;
  });
  expect(wrong).toEqual([]);
}

describe('the counter of one recording', () => {
  test.each([8, 16, 24, 32])('of %i bits goes on where it wraps', (bits) => {
    const startCounter = 2 ** bits - 100;
    const unwrapped = unwrap(bits, sendCarousel(files, 1500, { startCounter }));
    expect(unwrapped).toEqual(unwrapped.map((_, i) => ({ stretch: 0, counter: startCounter + i })));
  });

  test.each([17, 24, 32])('of %i bits counts what losses hide, in one stretch', (bits) => {
    fc.assert(
      fc.property(fc.nat(), fc.integer({ min: 0, max: 2 ** 17 - 1 }), (seed, startCounter) => {
        const frames = lossy(sendCarousel(files, 3000, { startCounter }), 0.4, 20, seed);
        const unwrapped = unwrap(bits, frames);
        expect(new Set(unwrapped.map(({ stretch }) => stretch)).size).toBeLessThanOrEqual(1);
        expectTrueSteps(frames, unwrapped);
      }),
      { numRuns: 30 },
    );
  });

  test.each([8, 16])('of %i bits counts what losses hide inside a file, however many turns that is', (bits) => {
    const long = sendCarousel(randomFiles([5000]), 5000);
    const frames = [...long.slice(0, 10), ...long.slice(1200, 1300), ...long.slice(4999)];
    const unwrapped = unwrap(bits, frames);
    expect(unwrapped.every(({ stretch }) => stretch === 0)).toBe(true);
    expect(unwrapped.map(({ counter }) => counter)).toEqual(frames.map(({ time }) => time));
  });

  test('of 16 bits begins a new stretch where a loss crosses the border of two files', () => {
    const frames = sendCarousel(files, 200);
    const unwrapped = unwrap(16, [...frames.slice(0, 20), ...frames.slice(60, 80)]);
    expect(unwrapped.at(-1)).toEqual({ stretch: 1, counter: 79 });
  });

  test('begins a new stretch after a reboot, at the new counter', () => {
    const frames = sendCarousel(files, 3000, { startCounter: 70_000, events: [{ at: 1000, reboot: true }] });
    for (const bits of [16, 24, 32]) {
      const unwrapper = new CounterUnwrapper(bits);
      for (const { counter, file, segment } of frames) unwrapper.next(counter % 2 ** bits, file, segment);
      expect(unwrapper.stretchStarts).toEqual([70_000 % 2 ** bits, 0]);
    }
  });
});
