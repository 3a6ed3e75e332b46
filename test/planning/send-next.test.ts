// What to send next, and the part of a long campaign that is looked at: worked examples.
import { describe, expect, test } from 'vitest';
import { busiestWindow, withinWindow } from '../../src/planning/busiest-window.js';
import { type IncompleteFile, rankMissing, scheduleRotation } from '../../src/planning/send-next.js';

const file = (changes: Partial<IncompleteFile>): IncompleteFile => ({
  id: '1',
  name: 'limb.jpg',
  kind: 'picture',
  amount: 1_000_000,
  unit: 'pixel',
  segments: 100,
  missing: [[50, 53]],
  ...changes,
});

describe('the order of what is missing', () => {
  test('is pictures, then clips, then the rest; within them what brings most for each segment', () => {
    const ranked = rankMissing([
      file({ id: 'raw', kind: 'other', amount: 9e9, unit: 'byte' }),
      file({ id: 'clip', kind: 'clip', amount: 150, unit: 'frame' }),
      file({ id: 'late', missing: [[90, 93]] }),
      file({ id: 'early', missing: [[10, 13]] }),
      file({ id: 'one', missing: [[50, 50]] }),
      file({ id: 'whole', missing: [] }),
    ]);
    expect(ranked.map(({ id }) => id)).toEqual(['one', 'early', 'late', 'clip', 'raw']);
    expect(ranked.map(({ gain }) => gain)).toEqual([500_000, 900_000, 100_000, 75, 4_500_000_000]);
    expect(ranked[1]).toMatchObject({ count: 4, gainPerSegment: 225_000 });
  });
});

describe('the schedule of one rotation', () => {
  const ranked = rankMissing([
    file({
      id: 'a',
      missing: [
        [10, 13],
        [40, 40],
      ],
    }),
    file({ id: 'b', missing: [[90, 99]] }),
  ]);

  test('sends the list again and again, evenly spaced', () => {
    expect(scheduleRotation(ranked, 100, 4)).toEqual({
      every: 25,
      repeats: 4,
      segments: 15,
      left: 0,
      rows: [
        { from: 0, id: 'a', name: 'limb.jpg', first: 10, last: 13 },
        { from: 4, id: 'a', name: 'limb.jpg', first: 40, last: 40 },
        { from: 5, id: 'b', name: 'limb.jpg', first: 90, last: 99 },
      ],
    });
  });

  test('leaves out what brings least where not all fits', () => {
    const { segments, left, rows } = scheduleRotation(ranked, 100, 14);
    expect([segments, left]).toEqual([7, 8]);
    expect(rows.at(-1)).toMatchObject({ id: 'b', first: 90, last: 91 });
  });
});

describe('of a long campaign', () => {
  test('the part in which most was received is looked at, its recordings joined across short silences', () => {
    const stations = [
      { name: 'a', received: [0, 300, 1000, 1500, 90_000, 92_000], listened: [0, 300, 1000, 1500, 90_000, 92_000] },
      { name: 'b', received: [91_000, 91_500, 93_000, 94_000], listened: [91_000, 94_000] },
    ];
    expect(busiestWindow(stations)).toEqual([90_000, 94_000]);
    expect(busiestWindow(stations, 2500)).toEqual([91_500, 94_000]);
    expect(withinWindow(stations[0]!, [90_000, 94_000])).toEqual({
      name: 'a',
      received: [0, 2000],
      listened: [0, 2000],
    });
    expect(busiestWindow([])).toEqual([0, 0]);
  });

  test('a counter that passed its check by accident does not stretch it', () => {
    const far = 2 ** 40;
    expect(busiestWindow([{ name: 'a', received: [0, 300, far, far + 1], listened: [0, far + 1] }])).toEqual([0, 300]);
  });
});
