// File numbers used again, strays, and files that are only known from outside; what was sent is the truth.
import { describe, expect, test } from 'vitest';
import {
  fillLedger,
  type Heard,
  lossy,
  randomFiles,
  type SentFile,
  type Session,
  sendCarousel,
  smallMission,
} from '../support/campaign.js';
import { assembleAll, factsOf } from './assembled.js';

const numbered = smallMission();
const old = randomFiles([6, 12, 1], 1);
const next = randomFiles([6, 12, 1], 2);
const shared = (a: Uint8Array, b: Uint8Array) => Uint8Array.from([...a.subarray(0, 100), ...b.subarray(100)]);
const found = (sessions: readonly Session[], facts = [...old, ...next].map(factsOf), mission = numbered) =>
  assembleAll(fillLedger(mission, sessions), facts);
const summary = ({ files }: ReturnType<typeof found>) =>
  files.map(({ edition, assembly }) => `${edition.id} ${assembly.state}`);
/** Each of `originals` is among the files found, byte for byte. */
const expectContents = ({ files }: ReturnType<typeof found>, originals: readonly SentFile[]) => {
  for (const { file, content } of originals) {
    expect(files.some((one) => one.edition.file === file && one.content.equals(content))).toBe(true);
  }
};
const change = (files: readonly SentFile[], at: number) => ({ at, files });

describe('a file number used again', () => {
  const sent = sendCarousel(old, 19 * 8, { events: [change(next, 19 * 4)] });

  test('makes two editions, each whole, each with its own checksum', () => {
    const result = found([{ station: 'saltmarsh', heard: sent }]);
    expect(summary(result)).toEqual(['1 whole', '1.2 whole', '2 whole', '2.2 whole', '3 whole', '3.2 whole']);
    expectContents(result, [...old, ...next]);
    expect(result.files.every(({ assembly }) => assembly.conflicts.length === 0)).toBe(true);
  });

  test('of which stations heard parts is put together from all of them', () => {
    const result = found([
      { station: 'saltmarsh', heard: lossy(sent.slice(0, 110), 0.8, 5, 1) },
      { station: 'highfell', heard: lossy(sent, 0.8, 5, 2) },
      { station: 'lowquay', heard: lossy(sent.slice(50), 0.8, 5, 3) },
    ]);
    expect(summary(result).slice(0, 4)).toEqual(['1 whole', '1.2 whole', '2 whole', '2.2 whole']);
    expectContents(result, [...old.slice(0, 2), ...next.slice(0, 2)]);
  });

  test('may have three editions, and segments that stay the same', () => {
    const third = randomFiles([6, 12, 1], 3).map(({ file, content }, i) => ({
      file,
      content: shared(next[i]!.content, content),
    }));
    const thrice = sendCarousel(old, 19 * 12, { events: [change(next, 19 * 4), change(third, 19 * 8)] });
    const result = found(
      [{ station: 'saltmarsh', heard: lossy(thrice, 0.95, 5, 4) }],
      [...old, ...next, ...third].map(factsOf),
    );
    const second = result.files.filter(({ edition }) => edition.file === 2);
    expect(second.map(({ assembly }) => assembly.state)).toEqual(['whole', 'whole', 'whole']);
    expectContents({ files: second, notes: [] }, [old[1]!, next[1]!, third[1]!]);
  });

  test('for a file of other length is told by the length', () => {
    const longer = randomFiles([7, 15, 1], 5);
    const result = found(
      [{ station: 'saltmarsh', heard: sendCarousel(old, 200, { events: [change(longer, 76)] }) }],
      [...old, ...longer].map(factsOf),
    );
    expect(summary(result)).toEqual(['1 whole', '1.2 whole', '2 whole', '2.2 whole', '3 whole', '3.2 whole']);
    expectContents(result, [...old, ...longer]);
  });

  test('is told apart from accidents that come at the same time', () => {
    const garbled = sent.map((frame): Heard => {
      return [3, 8, 70, 80, 101, 130].includes(frame.time)
        ? { ...frame, payload: frame.payload.map((byte) => byte ^ 0x55) }
        : frame;
    });
    const result = found([{ station: 'saltmarsh', heard: garbled }]);
    expect(summary(result)).toEqual(['1 whole', '1.2 whole', '2 whole', '2.2 whole', '3 whole', '3.2 whole']);
    expectContents(result, [...old, ...next]);
  });

  test('across a reboot is still a change of the file', () => {
    const rebooted = sendCarousel(old, 19 * 8, {
      startCounter: 3000,
      events: [{ at: 19 * 4, files: next, reboot: true }],
    });
    const result = found([
      { station: 'saltmarsh', heard: rebooted.slice(0, 19 * 5) },
      { station: 'highfell', heard: rebooted.slice(19 * 2) },
    ]);
    expect(summary(result)).toEqual(['1 whole', '1.2 whole', '2 whole', '2.2 whole', '3 whole', '3.2 whole']);
  });

  test('gives the same editions in whatever order the recordings came', () => {
    const sessions: Session[] = [0, 20, 60, 90].map((from, i) => {
      return { station: `station ${i}`, heard: lossy(sent.slice(from, from + 60), 0.8, 5, i), startedAt: from * 10 };
    });
    const outcome = (order: readonly Session[]) =>
      found(order).files.map(({ edition, content }) => `${edition.id} ${content.toString('hex')}`);
    expect(outcome([...sessions].reverse())).toEqual(outcome(sessions));
    expect(outcome([sessions[2]!, sessions[0]!, sessions[3]!, sessions[1]!])).toEqual(outcome(sessions));
  });
});

describe('a single frame that names a file', () => {
  const once = sendCarousel(old, 19);
  const stray = (changes: Partial<Heard>): Heard => ({ ...once[9]!, time: 9, accident: true, ...changes });

  test('with another length than all others is set aside, with a note', () => {
    const heard = [...once.slice(0, 9), stray({ segments: 4711 }), ...once.slice(10), ...once.slice(0, 19)];
    const result = found([{ station: 'saltmarsh', heard }]);
    expect(result.files.map(({ edition }) => edition.id)).toEqual(['1', '2', '3']);
    expect(result.notes).toEqual([expect.stringContaining('One frame names file 2 with 4711 segments')]);
  });

  test('that the catalogue confirms is the beginning of that file', () => {
    const facts = [{ file: 9, bytes: 4711 * 16 }];
    const result = found([{ station: 'saltmarsh', heard: [...once, stray({ file: 9, segments: 4711 })] }], facts);
    expect(summary(result).at(-1)).toBe('9 partial');
    expect(result.notes).toEqual([]);
  });

  test('of a file of one segment is that file', () => {
    const result = found([{ station: 'saltmarsh', heard: once }], []);
    expect(summary(result)).toEqual(['1 unproven', '2 unproven', '3 unproven']);
  });
});

describe('files known from outside', () => {
  const heard = [{ station: 'saltmarsh', heard: sendCarousel(old, 19) }];

  test('of which nothing was heard are listed with nothing received', () => {
    const facts = [...old.map(factsOf), { file: 44, name: 'veil.png', bytes: 1000 }];
    const last = found(heard, facts).files.at(-1)!;
    expect(last.edition).toMatchObject({ id: '44', stored: null, total: 63 });
    expect(last.assembly).toMatchObject({
      state: 'partial',
      received: 0,
      bytes: 1000,
      missing: [0, 63],
      gaps: [0, 1000],
    });
  });

  test('are counted in bytes where segments are named by offset', () => {
    const byOffset = smallMission({ byOffset: true });
    const last = found(heard, [{ file: 44, bytes: 1000 }], byOffset).files.at(-1)!;
    expect(last.assembly).toMatchObject({ received: 0, total: 63, missing: [0, 1000] });
  });

  test('may tell of an edition that nobody heard, beside one that was', () => {
    const facts = [factsOf(old[0]!), { file: 1, bytes: 1000 }];
    expect(summary(found(heard, facts))).toEqual(['1 whole', '1.2 partial', '2 unproven', '3 unproven']);
  });
});
