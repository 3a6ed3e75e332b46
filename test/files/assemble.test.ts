// Files put together from a ledger, against what the carousel sent; checksums computed by node:crypto.
import fs from 'node:fs';
import path from 'node:path';
import fc from 'fast-check';
import { describe, expect, test } from 'vitest';
import { parseMission } from '../../src/mission/mission-file.js';
import { seededRandom } from '../../src/rehearsal/random.js';
import {
  fillLedger,
  type Heard,
  lossy,
  PAYLOAD,
  randomFiles,
  type Sent,
  sendCarousel,
  smallMission,
} from '../support/campaign.js';
import { assembleAll, factsOf } from './assembled.js';

const files = randomFiles([6, 9, 4]);
const sent = sendCarousel(files, 19 * 3);
const once = sent.slice(0, 19);
const numbered = smallMission();
const first = (frames: readonly Heard[], mission = numbered) =>
  fillLedger(mission, [{ station: 'saltmarsh', heard: frames }]);
const without = (frames: readonly Sent[], file: number, ...segments: number[]) =>
  frames.filter((frame) => frame.file !== file || !segments.includes(frame.segment));

describe('a file of which all segments are in', () => {
  test('is whole when its checksum matches, byte for byte as sent', () => {
    const { files: found } = assembleAll(first(once), files.map(factsOf));
    expect(found.map(({ assembly }) => assembly.state)).toEqual(['whole', 'whole', 'whole']);
    found.forEach(({ content, assembly }, i) => {
      expect(content.equals(files[i]!.content)).toBe(true);
      expect(assembly).toMatchObject({ bytes: content.length, missing: [], gaps: [] });
    });
  });

  test('is unproven when no checksum is known; its size is where its last segment ends', () => {
    const { files: found } = assembleAll(first(once));
    found.forEach(({ content, assembly }, i) => {
      expect(assembly).toMatchObject({ state: 'unproven', bytes: files[i]!.content.length, checksum: null });
      expect(content.equals(files[i]!.content)).toBe(true);
    });
  });

  test('is disputed when its checksum fails', () => {
    const facts = { ...factsOf(files[0]!), checksum: { algorithm: 'crc32', value: '00000000' } as const };
    const [found] = assembleAll(first(once), [facts]).files;
    expect(found!.assembly).toMatchObject({ state: 'disputed', checksum: { expected: '00000000', matches: false } });
    expect(found!.assembly.checksum!.actual).toMatch(/^[0-9a-f]{8}$/);
    expect(found!.content.equals(files[0]!.content)).toBe(true);
  });

  test('may be empty', () => {
    const empty = { ...once[0]!, content: new Uint8Array(), payload: new Uint8Array(), segments: 1 };
    const [found] = assembleAll(first([empty]), [factsOf({ file: 1, content: new Uint8Array() })]).files;
    expect(found).toMatchObject({ assembly: { state: 'whole', bytes: 0 }, content: Buffer.alloc(0) });
  });
});

describe('a file of which segments are missing', () => {
  test('is partial, its holes zero-filled and listed', () => {
    const [found] = assembleAll(first(without(once, 1, 0, 3, 4)), files.map(factsOf)).files;
    const expected = Buffer.from(files[0]!.content);
    expected.fill(0, 0, PAYLOAD).fill(0, 3 * PAYLOAD, 5 * PAYLOAD);
    expect(found!.assembly).toMatchObject({
      state: 'partial',
      total: 6,
      received: 3,
      missing: [0, 1, 3, 5],
      gaps: [0, PAYLOAD, 3 * PAYLOAD, 5 * PAYLOAD],
      checksum: { actual: null, matches: null },
    });
    expect(found!.content.equals(expected)).toBe(true);
  });

  test('has no size while neither facts nor its last segment tell', () => {
    const heard = without(once, 2, 8);
    const [, blind] = assembleAll(first(heard)).files;
    expect(blind!.assembly).toMatchObject({ state: 'partial', bytes: null, missing: [8, 9] });
    const [, told] = assembleAll(first(heard), files.map(factsOf)).files;
    expect(told!.assembly).toMatchObject({ bytes: files[1]!.content.length, gaps: [8 * PAYLOAD, 9 * PAYLOAD - 1] });
    expect(told!.content).toHaveLength(files[1]!.content.length);
  });

  test('is partial for ever while nothing tells how many segments it has, yet its inner holes are missing for certain', () => {
    const unsized = smallMission({ statesSize: false });
    const [found] = assembleAll(first(without(once, 1, 2), unsized)).files;
    expect(found!.assembly).toMatchObject({ state: 'partial', total: 0, bytes: null, missing: [2, 3], gaps: [32, 48] });
    const [told] = assembleAll(first(once, unsized), files.map(factsOf)).files;
    expect(told!.assembly).toMatchObject({ state: 'whole', total: 6 });
  });

  test('lists exactly what no station heard', () => {
    fc.assert(
      fc.property(fc.nat(), fc.double({ min: 0, max: 0.9, noNaN: true }), (seed, keep) => {
        const heard = [lossy(sent, keep, 3, seed), lossy(sent, keep, 3, seed + 1)];
        const ledger = fillLedger(
          numbered,
          heard.map((frames, i) => ({ station: `station ${i}`, heard: frames })),
        );
        const { files: found } = assembleAll(ledger, files.map(factsOf));
        found.forEach(({ assembly, content }, i) => {
          const { file, content: original } = files[i]!;
          const segments = new Set(
            heard
              .flat()
              .filter((frame) => frame.file === file)
              .map(({ segment }) => segment),
          );
          const expected = original.map((byte, at) => (segments.has(Math.floor(at / PAYLOAD)) ? byte : 0));
          const missing = Array.from({ length: assembly.missing.length / 2 }, (_, n) => n).flatMap((n) =>
            Array.from(
              { length: assembly.missing[2 * n + 1]! - assembly.missing[2 * n]! },
              (_, k) => assembly.missing[2 * n]! + k,
            ),
          );
          expect(missing).toEqual(Array.from({ length: assembly.total }, (_, k) => k).filter((k) => !segments.has(k)));
          expect(content.equals(expected)).toBe(true);
          expect(assembly.received).toBe(segments.size);
        });
      }),
      { numRuns: 15 },
    );
  });
});

describe('contents that contradict each other', () => {
  const accident = (time: number): Heard => ({
    ...sent[time]!,
    payload: new Uint8Array(sent[time]!.payload.length).fill(time),
  });
  const withAccidents = (...times: number[]) =>
    sent.map((frame) => (times.includes(frame.time) ? accident(frame.time) : frame));

  test('are decided by the checksum, even against the majority', () => {
    const wrong = accident(2).payload;
    const mostlyWrong = sent.map((frame) =>
      frame.time === 2 || frame.time === 2 + 19 ? { ...frame, payload: wrong } : frame,
    );
    for (const heard of [withAccidents(2), mostlyWrong, withAccidents(0, 2, 5, 22)]) {
      const [found] = assembleAll(first(heard), files.map(factsOf)).files;
      expect(found!.assembly.state).toBe('whole');
      expect(found!.assembly.conflicts.every(({ decided }) => decided === 'checksum')).toBe(true);
      expect(found!.content.equals(files[0]!.content)).toBe(true);
    }
  });

  test('without a checksum leave the file disputed, with what came most often', () => {
    const [found, other] = assembleAll(first(withAccidents(2))).files;
    expect(found!.assembly).toMatchObject({
      state: 'disputed',
      conflicts: [{ segment: 2, variants: 2, decided: 'majority' }],
    });
    expect(found!.content.equals(files[0]!.content)).toBe(true);
    expect(other!.assembly).toMatchObject({ state: 'unproven', conflicts: [] });
  });

  test('stay undecided when no combination matches the checksum', () => {
    const facts = { ...factsOf(files[0]!), checksum: { algorithm: 'crc32', value: '00000000' } as const };
    const [found] = assembleAll(first(withAccidents(2)), [facts]).files;
    expect(found!.assembly).toMatchObject({ state: 'disputed', conflicts: [{ segment: 2, decided: 'undecided' }] });
  });

  test('give the same files in whatever order the recordings came', () => {
    const sessions = [withAccidents(2, 30), withAccidents(21, 7), withAccidents(40)].map((frames, i) => {
      return { station: `station ${i}`, heard: lossy(frames, 0.7, 4, i) };
    });
    const outcome = (order: typeof sessions) =>
      assembleAll(fillLedger(numbered, order)).files.map(({ edition, assembly, content }) => {
        const { state, conflicts, missing } = assembly;
        return { id: edition.id, state, conflicts, missing, content: content.toString('hex') };
      });
    const expected = outcome(sessions);
    fc.assert(
      fc.property(fc.shuffledSubarray(sessions, { minLength: 3 }), (shuffled) => {
        expect(outcome(shuffled)).toEqual(expected);
      }),
      { numRuns: 8 },
    );
  });
});

describe('a size that the segments contradict', () => {
  test('within the last segment is no proof even if the checksum of just so many bytes matches', () => {
    const cut = files[0]!.content.subarray(0, files[0]!.content.length - 3);
    const [found] = assembleAll(first(once), [factsOf({ file: 1, content: cut })]).files;
    expect(found!.assembly).toMatchObject({ state: 'disputed', checksum: { matches: false } });
  });

  test('by whole segments leaves name and checksum to try, and the size to the segments', () => {
    const wrong = { ...factsOf(files[0]!), name: 'limb.jpg', bytes: 5 };
    const { files: found } = assembleAll(first(once), [wrong]);
    expect(found[0]!.assembly).toMatchObject({ state: 'whole', bytes: files[0]!.content.length });
    expect(found[0]!.edition.facts[0]!.name).toBe('limb.jpg');
    expect(found.map(({ edition }) => edition.id)).toEqual(['1', '2', '3']);
  });

  test('beyond which segments came leaves the file disputed, and nothing that came is cut off', () => {
    const unsized = smallMission({ statesSize: false });
    const short = factsOf({ file: 1, content: files[0]!.content.subarray(0, 40) });
    const [found] = assembleAll(first(once, unsized), [short]).files;
    expect(found!.assembly.state).toBe('disputed');
    expect(found!.content.equals(files[0]!.content)).toBe(true);
  });

  test('is none where frames do not tell how much of the last payload is used', () => {
    const padded = smallMission({ statesLength: false });
    const { files: found } = assembleAll(first(once, padded), files.map(factsOf));
    expect(found.map(({ assembly }) => assembly.state)).toEqual(['whole', 'whole', 'whole']);
    expect(found[2]!.content.equals(files[2]!.content)).toBe(true);
  });
});

describe('segments named by byte offset', () => {
  const byOffset = smallMission({ byOffset: true });
  /** `content` in pieces of those lengths, one after the other from `offset` on. */
  const pieces = (file: number, content: Uint8Array, offset: number, lengths: readonly number[], time = 0): Heard[] => {
    let at = offset;
    return lengths.map((length, i) => {
      const payload = content.subarray(at, at + length);
      const frame = {
        time: time + i,
        run: 1,
        counter: time + i,
        file,
        content,
        segment: 0,
        segments: 0,
        payload,
        offset: at,
      };
      at += length;
      return frame;
    });
  };
  const { content } = files[1]!;

  test('give the same files, counted in segments and missing in bytes', () => {
    const { files: found } = assembleAll(first(without(once, 2, 1, 2, 5), byOffset), files.map(factsOf));
    expect(found.map(({ assembly }) => assembly.state)).toEqual(['whole', 'partial', 'whole']);
    expect(found[1]!.assembly).toMatchObject({
      total: 9,
      received: 6,
      missing: [16, 48, 80, 96],
      gaps: [16, 48, 80, 96],
    });
    expect(found[0]!.content.equals(files[0]!.content)).toBe(true);
  });

  test('tell the size by themselves when every frame states it', () => {
    const [found] = assembleAll(first(without(once, 1, 5), byOffset)).files;
    expect(found!.assembly).toMatchObject({ state: 'partial', bytes: 96, total: 6, missing: [80, 96] });
    const [whole] = assembleAll(first(once, byOffset)).files;
    expect(whole!.assembly).toMatchObject({ state: 'unproven', bytes: 96, total: 6, received: 6 });
  });

  test('have no size where neither frames nor facts tell', () => {
    const unsized = smallMission({ byOffset: true, statesSize: false });
    const [found] = assembleAll(first(without(once, 1, 2), unsized)).files;
    expect(found!.assembly).toMatchObject({ state: 'partial', bytes: null, total: 0, received: 5, missing: [32, 48] });
    const [told] = assembleAll(first(once, unsized), files.map(factsOf)).files;
    expect(told!.assembly).toMatchObject({ state: 'whole', total: 6 });
  });

  test('may be of any length, and overlap where they are cut differently', () => {
    const heard = [
      ...pieces(2, content, 0, [16, 5, 16, 1, 9]),
      ...pieces(2, content, 40, [16, 16, 16, 16], 50),
      ...pieces(2, content, 100, [16, 16, 11], 100),
    ];
    const [found] = assembleAll(first(heard, byOffset), [factsOf(files[1]!)]).files;
    expect(found!.assembly).toMatchObject({ state: 'whole', received: 12, total: 12, bytes: 143 });
    expect(found!.content.equals(content)).toBe(true);
  });

  test('that end short of the next leave a hole, whatever else is stored there', () => {
    const heard = [...pieces(2, content, 0, [10]), ...pieces(2, content, 16, [16, 16, 16], 1)];
    const [found] = assembleAll(first(heard, byOffset), [factsOf(files[1]!)]).files;
    expect(found!.assembly.missing).toEqual([10, 16, 64, 143]);
    expect(found!.assembly.total).toBe(4 + 1 + 5);
    expect([...found!.content.subarray(10, 16)]).toEqual([0, 0, 0, 0, 0, 0]);
    expect(found!.content.subarray(16, 64).equals(content.subarray(16, 64))).toBe(true);
  });

  test('that the disk lost leave a hole, not what is on the disk', () => {
    const heard = [...pieces(2, content, 0, [10, 6, 16, 16])];
    const ledger = first(heard, byOffset);
    ledger.commit();
    const [stored] = [...ledger.files.values()];
    const data = path.join(ledger.folder, 'data', stored!.lanes[0]!.path);
    const bytes = fs.readFileSync(data);
    fs.writeFileSync(data, bytes.fill(0xee, 10, 16));
    assembleAll(ledger);
    const [found] = assembleAll(ledger).files;
    expect(found!.assembly.missing).toEqual([10, 16, 48, 143]);
    expect([...found!.content.subarray(10, 16)]).toEqual([0, 0, 0, 0, 0, 0]);
  });

  test('beyond the size that facts give leave the file disputed', () => {
    const unsized = smallMission({ byOffset: true, statesSize: false });
    const short = factsOf({ file: 2, content: content.subarray(0, 100) });
    const [found] = assembleAll(first(pieces(2, content, 0, Array(9).fill(16)), unsized), [short]).files;
    expect(found!.assembly.state).toBe('disputed');
    expect(found!.content.equals(content)).toBe(true);
  });
});

test('a payload larger than what is read at once is assembled like any other', () => {
  const size = (1 << 20) - 20;
  const { text } = smallMission({ statesLength: false });
  const large = text.replace('length: 33', `length: ${1 << 20}`).replace('size: 16', `size: ${size}`);
  const changed = large.replace('at: 31, covers: [0, 31]', `at: ${size + 15}, covers: [0, ${size + 15}]`);
  const mission = { text: changed, mission: parseMission(changed, 'large.yaml') };
  const content = seededRandom(5, 'large').fill(new Uint8Array(2 * size));
  const heard = [0, 1].map((segment): Heard => {
    const offset = segment * size;
    const payload = content.subarray(offset, offset + size);
    return { time: segment, run: 1, counter: segment, file: 1, content, segment, segments: 2, payload, offset };
  });
  const [found] = assembleAll(first(heard, mission)).files;
  expect(found!.content.equals(content)).toBe(true);
});
