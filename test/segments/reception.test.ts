// What a recorder keeps of one recording: runs and damaged frames, against the list of what was sent.
import fc from 'fast-check';
import { describe, expect, test } from 'vitest';
import { DAMAGED_KEPT } from '../../src/segments/reception.js';
import { type Heard, lossy, randomFiles, record, sendCarousel, smallMission } from '../support/campaign.js';

const files = randomFiles([40, 7, 90, 30]);
const sent = sendCarousel(files, 3000);
const { mission } = smallMission();
const store = { store: () => 0 };

const damage = (frame: Heard, changes: Partial<Heard> = {}): Heard => ({ ...frame, ...changes, damaged: true });
/** Counters of the transmissions that damaged frames were taken for. */
const attributed = (heard: readonly Heard[]) =>
  record(mission, heard, store).damagedFrames.map(({ transmission }) => transmission?.counter ?? null);

describe('runs', () => {
  test('say of every intact frame what it was, and are as few as can be', () => {
    fc.assert(
      fc.property(fc.nat(), fc.double({ min: 0.1, max: 1, noNaN: true }), (seed, keep) => {
        const heard = lossy(sent, keep, 15, seed);
        const { runs, intactFrames } = record(mission, heard, store);
        const told = runs.flatMap(({ counter, count, file, segments, key, step }) =>
          Array.from({ length: count }, (_, i) => ({ counter: counter + i, file, segments, segment: key + i * step })),
        );
        expect(told).toEqual(
          heard.map(({ counter, file, segments, segment }) => ({ counter, file, segments, segment })),
        );
        expect(intactFrames).toBe(heard.length);
        const breaks = heard.filter(({ time, file, segment }, i) => {
          const last = heard[i - 1];
          return !(last && last.time + 1 === time && last.file === file && last.segment + 1 === segment);
        });
        expect(runs).toHaveLength(breaks.length);
      }),
      { numRuns: 30 },
    );
  });

  test('give the offset in the recording of their first frame', () => {
    const { runs } = record(mission, [...sent.slice(0, 5), ...sent.slice(8, 12)], store);
    expect(runs.map(({ at, count }) => [at, count])).toEqual([
      [0, 5],
      [5 * 33, 4],
    ]);
  });

  test('break where the content is kept in another lane', () => {
    const lanes = { store: (_file: number, _segments: number, key: number) => (key === 3 ? 1 : 0) };
    expect(record(mission, sent.slice(0, 6), lanes).runs.map(({ key, lane }) => [key, lane])).toEqual([
      [0, 0],
      [3, 1],
      [4, 0],
    ]);
  });

  test('of byte offsets go from one payload to the next, and state the size in bytes', () => {
    const offsets = smallMission({ byOffset: true }).mission;
    const { runs } = record(offsets, sent.slice(0, 40), store);
    expect(runs).toMatchObject([{ count: 40, key: 0, step: 16, segments: files[0]!.content.length }]);
  });
});

describe('the payload handed on', () => {
  test.each([true, false])('ends where the file does when frames tell no length (byte offsets: %s)', (byOffset) => {
    // A layout as the mission file gives it, but with the file's size in bytes in every frame.
    const { mission: plain } = smallMission({ byOffset, statesLength: false, statesSize: byOffset });
    const bytes = { at: 11, bit: 0, bits: 24, endian: 'big' as const };
    const stating = { ...plain, frame: { ...plain.frame!, fields: { ...plain.frame!.fields, bytes } } };
    const lengths: number[] = [];
    const own = sendCarousel(randomFiles([3, 5]), 8);
    record(stating, own, { store: (_f, _s, _k, _b, _start, length) => lengths.push(length) });
    expect(lengths).toEqual([16, 16, 16, 16, 16, 16, 16, 15]);
  });
});

describe('damaged frames', () => {
  test('are the transmissions missing between their neighbours when just as many are missing', () => {
    const garbled = { counter: 77_777, segment: 0 };
    const heard = [...sent.slice(0, 10), damage(sent[10]!, garbled), damage(sent[11]!, garbled), ...sent.slice(12, 20)];
    expect(attributed(heard)).toEqual([10, 11]);
  });

  test('are told by their own counter where more are missing, if it fits between the neighbours', () => {
    const heard = [...sent.slice(0, 10), damage(sent[12]!), damage(sent[15]!), ...sent.slice(20, 30)];
    expect(attributed(heard)).toEqual([12, 15]);
  });

  test('stay unnamed where their counter does not fit: outside, or not rising', () => {
    const outside = [...sent.slice(0, 10), damage(sent[12]!, { counter: 500 }), ...sent.slice(20, 30)];
    expect(attributed(outside)).toEqual([null]);
    const falling = [...sent.slice(0, 10), damage(sent[15]!), damage(sent[12]!), ...sent.slice(20, 30)];
    expect(attributed(falling)).toEqual([15, null]);
  });

  test('stay unnamed at the beginning, at the end, where nothing is missing and across a reboot', () => {
    expect(attributed([damage(sent[0]!), ...sent.slice(1, 9)])).toEqual([null]);
    expect(attributed([...sent.slice(1, 9), damage(sent[9]!)])).toEqual([null]);
    expect(attributed([...sent.slice(0, 9), damage(sent[9]!), ...sent.slice(9, 20)])).toEqual([null]);
    const rebooted = sendCarousel(files, 100, { startCounter: 50_000, events: [{ at: 50, reboot: true }] });
    expect(attributed([...rebooted.slice(0, 49), damage(rebooted[49]!), ...rebooted.slice(52)])).toEqual([null]);
  });

  test('are named across the wrap of the counter', () => {
    const wrapping = sendCarousel(files, 100, { startCounter: 2 ** 32 - 20 });
    const heard = [...wrapping.slice(0, 15), damage(wrapping[22]!), ...wrapping.slice(30)];
    expect(attributed(heard)).toEqual([2 ** 32 + 2]);
  });

  test('are copies of the frames, cut ones too, and never more than the bound', () => {
    const many = Array.from({ length: DAMAGED_KEPT + 10 }, (_, i) => damage(sent[i % 100]!));
    const recorder = record(mission, [...many, ...sent.slice(0, 5)], store);
    expect(recorder.damagedTotal).toBe(DAMAGED_KEPT + 10);
    expect(recorder.damagedFrames).toHaveLength(DAMAGED_KEPT);
    const lent = new Uint8Array(33).fill(7);
    recorder.damaged(lent, 0, 12, 5);
    const other = record(mission, [], store);
    other.damaged(lent, 0, 12, 5);
    lent.fill(0);
    expect(other.damagedFrames).toEqual([{ at: 5, transmission: null, bytes: new Uint8Array(12).fill(7) }]);
  });
});
