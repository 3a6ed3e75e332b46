// Merging as the design promises it: any order, any grouping, any repetition ends in the same coverage and byte-identical files.
// The judge is a ledger that took in all recordings itself, and, for what is in the files, the payloads that were sent.
import fs from 'node:fs';
import os from 'node:os';
import path from 'node:path';
import fc from 'fast-check';
import { afterAll, describe, expect, test } from 'vitest';
import { LedgerError } from '../../src/errors.js';
import { Ledger } from '../../src/ledger/ledger.js';
import { mergeLedger } from '../../src/ledger/merge.js';
import { seededRandom } from '../../src/rehearsal/random.js';
import { coverageJson } from '../../src/report/json.js';
import {
  contents,
  type Heard,
  handIn,
  missionText,
  payloadOf,
  type Result,
  resultOf,
  type Sent,
  scratchFolder,
  sending,
} from './material.js';

/** What each station heard, grouped by the ledger it went into first. */
type Plan = { byOffset: boolean; ledgers: Heard[][]; seed: number };

type Choice = {
  seed: number;
  byOffset: boolean;
  files: number[];
  rounds: number;
  replaceAt: number;
  rebootAt: number;
  ledgers: { station: number; sameAs: number }[][];
};

const choice: fc.Arbitrary<Choice> = fc.record({
  seed: fc.nat(),
  byOffset: fc.boolean(),
  files: fc.array(fc.integer({ min: 1, max: 5 }), { minLength: 1, maxLength: 3 }),
  rounds: fc.integer({ min: 1, max: 4 }),
  replaceAt: fc.integer({ min: 0, max: 5 }),
  rebootAt: fc.integer({ min: 1, max: 8 }),
  ledgers: fc.array(fc.array(fc.record({ station: fc.nat(3), sameAs: fc.nat(4) }), { minLength: 1, maxLength: 2 }), {
    minLength: 2,
    maxLength: 4,
  }),
});

/**
 * Stations that hear a carousel in part; now and then a frame with other content passes its CRC, file 1 is replaced on board, and
 * the counter starts again after a reboot.
 */
function plan({ seed, byOffset, files, rounds, replaceAt, rebootAt, ledgers }: Choice): Plan {
  const schedule: Sent[] = [];
  let booted = 0;
  for (let round = 0; round < rounds; round++) {
    if (round === rebootAt) booted = schedule.length;
    files.forEach((segments, i) => {
      schedule.push(...sending(i + 1, segments, schedule.length - booted, i === 0 && round >= replaceAt ? 1 : 0));
    });
  }
  const random = seededRandom(seed, 'plan');
  const made: Heard[] = [];
  const hear = ({ station, sameAs }: { station: number; sameAs: number }): Heard => {
    const name = `recording-${random.below(3)}.bin`;
    const startedAt = random.below(3) === 0 ? { startedAt: 1_800_000_000_000 + random.below(5000) } : {};
    const who = { station: ['saltmarsh', 'highfell', 'pinebarren', 'lowquay'][station]!, name, ...startedAt };
    // A recording that was handed in to several ledgers, perhaps under several names.
    if (sameAs > 0 && made[sameAs - 1]) return { ...who, sent: made[sameAs - 1]!.sent };
    const from = random.below(schedule.length);
    const to = from + 1 + random.below(schedule.length - from);
    const sent = schedule.slice(from, to).flatMap((one) => {
      if (random.below(4) === 0) return [];
      return [random.below(8) === 0 ? { ...one, content: 2 + random.below(3) } : one];
    });
    return { ...who, sent: sent.length > 0 ? sent : [schedule[from]!] };
  };
  return {
    byOffset,
    seed,
    ledgers: ledgers.map((recordings) =>
      recordings.map((recording) => {
        const heard = hear(recording);
        made.push(heard);
        return heard;
      }),
    ),
  };
}

function makeLedger(folder: string, recordings: readonly Heard[], byOffset: boolean): string {
  const ledger = Ledger.open(folder, { mission: missionText({ byOffset, payload: 20 }) });
  for (const heard of recordings) handIn(ledger, heard, 13);
  ledger.close();
  return folder;
}

async function mergedResult(target: string, sources: readonly string[]): Promise<Result & { json: string }> {
  for (const source of sources) mergeLedger(source, target).close();
  return openResult(target);
}

async function openResult(folder: string): Promise<Result & { json: string }> {
  const ledger = Ledger.open(folder);
  const result = await resultOf(ledger);
  ledger.close();
  return {
    ...result,
    json: coverageJson({ coverage: result.coverage }),
  };
}

describe('merging ledgers', () => {
  test('is commutative, associative and idempotent, and the same as handing everything in to one', {
    timeout: 240_000,
  }, async () => {
    await fc.assert(
      fc.asyncProperty(choice, async (chosen) => {
        const { ledgers, byOffset, seed } = plan(chosen);
        const root = fs.mkdtempSync(path.join(scratch, 'merge-'));
        const at = (name: string): string => path.join(root, name);
        const folders = ledgers.map((recordings, i) => makeLedger(at(`source-${i}`), recordings, byOffset));
        const expected = await mergedResult(at('in-order'), folders);
        const shuffled = shuffle(folders, seed);
        expect(await mergedResult(at('other-order'), shuffled), 'in another order').toEqual(expected);
        expect(await mergedResult(at('other-order'), folders), 'twice').toEqual(expected);
        const right = await mergedResult(at('right'), folders.slice(1));
        expect(right.coverage.recordings.length).toBeGreaterThan(0);
        expect(await mergedResult(at('grouped'), [folders[0]!, at('right')]), 'grouped to the right').toEqual(expected);
        // Into a ledger that had recordings of its own.
        expect(await mergedResult(folders.at(-1)!, folders.slice(0, -1)), 'into one of them').toEqual(expected);
        makeLedger(at('at-once'), shuffle(ledgers.flat(), seed), byOffset);
        expect(await openResult(at('at-once')), 'all recordings at once').toEqual(expected);
        fs.rmSync(root, { recursive: true });
      }),
      { numRuns: 40 },
    );
  });

  test('copies whole runs: more segments than one read takes, with some already there and some of other content', async () => {
    const root = scratchFolder();
    const mission = missionText({ payload: 1500 });
    const first = Ledger.open(path.join(root, 'a'), { mission });
    handIn(first, {
      station: 'saltmarsh',
      name: 'a',
      sent: sending(1, 2000, 0).filter(({ segment }) => segment % 700 !== 3),
    });
    first.close();
    const second = Ledger.open(path.join(root, 'b'), { mission });
    handIn(second, { station: 'highfell', name: 'b', sent: sending(1, 2000, 0).slice(500, 520) });
    handIn(second, {
      station: 'highfell',
      name: 'c',
      sent: [{ counter: 1200, file: 1, segments: 2000, segment: 1200, content: 1 }],
    });
    second.close();
    const merged = mergeLedger(path.join(root, 'a'), path.join(root, 'b'));
    const { files, coverage } = await resultOf(merged);
    expect(merged.files.get('1-2000')!.lanes.map(({ table }) => table.size)).toEqual([1997, 1]);
    merged.close();
    const expected = Buffer.concat(
      sending(1, 2000, 0).map((one) => (one.segment % 700 === 3 ? Buffer.alloc(1500) : payloadOf(one, 1500))),
    );
    expect(coverage.files[0]!.segments).toMatchObject({
      received: 1997,
      missing: [
        [3, 3],
        [703, 703],
        [1403, 1403],
      ],
    });
    expect(coverage.files[0]!.conflicts).toEqual([{ segment: 1200, variants: 2, decided: 'majority' }]);
    const partial = Buffer.from(files['partial/file-1.bin']!, 'base64');
    partial.set(expected.subarray(1200 * 1500, 1201 * 1500), 1200 * 1500);
    expect(partial.equals(expected)).toBe(true);
  });

  test('of a ledger into itself changes nothing, by whatever path it is named', () => {
    const root = scratchFolder();
    const folder = makeLedger(
      path.join(root, 'ledger'),
      [{ station: 'saltmarsh', name: 'a', sent: sending(1, 5, 0) }],
      false,
    );
    fs.symlinkSync(folder, path.join(root, 'link'));
    const before = contents(folder);
    mergeLedger(folder, folder).close();
    mergeLedger(path.join(root, 'link'), folder).close();
    const open = Ledger.open(folder);
    expect(mergeLedger(folder, folder, open)).toBe(open);
    open.close();
    expect(contents(folder)).toEqual(before);
  });

  test('leaves the source as it is', () => {
    const root = scratchFolder();
    const source = makeLedger(
      path.join(root, 'a'),
      [{ station: 'saltmarsh', name: 'a', sent: sending(1, 5, 0) }],
      false,
    );
    const before = contents(source);
    mergeLedger(source, path.join(root, 'b')).close();
    expect(contents(source)).toEqual(before);
  });

  test('joins mission files that differ in the catalogue alone, in any order, keys of the layers in any order', async () => {
    const root = scratchFolder();
    const known = [
      missionText({ catalogue: '    - { file: 1, name: limb.jpg, bytes: 434 }\n' }),
      missionText({
        catalogue: '    - { file: 2, name: veil.png, bytes: 200 }\n    - { file: 1, bytes: 434, name: limb.jpg }\n',
      }),
      missionText(),
    ];
    const folders = known.map((mission, i) => {
      const ledger = Ledger.open(path.join(root, `source-${i}`), { mission });
      handIn(ledger, { station: 'saltmarsh', name: 'a', sent: sending(1, 5, 10 * i) });
      ledger.close();
      return ledger.folder;
    });
    const one = await mergedResult(path.join(root, 'one'), folders);
    const other = await mergedResult(path.join(root, 'other'), [...folders].reverse());
    expect(other).toEqual(one);
    expect(one.coverage.files.map(({ name }) => name)).toEqual(['limb.jpg', 'veil.png']);
  });

  test.each([
    ['another payload size', missionText({ payload: 50 })],
    ['segments named by offset', missionText({ byOffset: true })],
  ])('refuses a ledger whose mission has %s, and changes neither', (_, mission) => {
    const root = scratchFolder();
    const target = path.join(root, 'target');
    const mine = Ledger.open(target, { mission: missionText() });
    handIn(mine, { station: 'saltmarsh', name: 'a', sent: sending(1, 5, 0) });
    mine.close();
    const source = path.join(root, 'source');
    const theirs = Ledger.open(source, { mission });
    handIn(theirs, { station: 'highfell', name: 'b', sent: sending(1, 5, 0) });
    theirs.close();
    const before = contents(root);
    expect(() => mergeLedger(source, target)).toThrow(LedgerError);
    expect(() => mergeLedger(source, target)).toThrow(/target: holds mission "Dotterel", whose layers or frame differ/);
    expect(contents(root)).toEqual(before);
  });

  test('keeps sixteen contents of one segment, and says how many frames brought more', async () => {
    const root = scratchFolder();
    const many = Array.from(
      { length: 20 },
      (_, content): Sent => ({ counter: content, file: 1, segments: 4, segment: 0, content }),
    );
    const source = makeLedger(path.join(root, 'a'), [{ station: 'saltmarsh', name: 'a', sent: many }], false);
    const ledger = mergeLedger(source, path.join(root, 'b'));
    expect(ledger.files.get('1-4')!.lanes).toHaveLength(16);
    const { coverage } = await resultOf(ledger);
    // Counters 0 and 13 are damaged frames.
    expect(coverage.notes).toContain(
      '2 frames passed their CRC but were not kept: more than 16 contents of one segment, or a place that no file reaches.',
    );
    ledger.close();
  });

  test('of a damaged ledger keeps the rest, tells what was lost, and knows where it belongs when it comes again', async () => {
    const root = scratchFolder();
    const good: Heard = { station: 'saltmarsh', name: 'a', sent: sending(1, 5, 1) };
    const odd: Heard = {
      station: 'highfell',
      name: 'b',
      sent: [{ counter: 3, file: 1, segments: 5, segment: 2, content: 1 }],
    };
    const expected = await openResult(makeLedger(path.join(root, 'whole'), [good, odd], false));
    const source = makeLedger(path.join(root, 'a'), [good], false);
    const data = path.join(source, 'data', 'f1-5.0');
    const bytes = fs.readFileSync(data);
    fs.writeFileSync(data, bytes.fill(0, 40, 60));

    const target = makeLedger(path.join(root, 'b'), [odd], false);
    const merged = mergeLedger(source, target);
    expect(merged.notes).toEqual([
      `Merged from ${source}: ${data}: 20 bytes do not match their hash and count as missing; hand the recordings in again to fill them.`,
    ]);
    // The odd content is not taken for the one that was lost.
    expect(merged.files.get('1-5')!.lanes.map(({ table }) => table.size)).toEqual([5, 0]);
    handIn(merged, good, 13);
    expect(merged.files.get('1-5')!.lanes.map(({ table }) => table.size)).toEqual([5, 1]);
    merged.close();
    expect(await openResult(target)).toEqual(expected);
  });
});

const scratch = fs.mkdtempSync(path.join(os.tmpdir(), 'ledger-merge-'));
afterAll(() => fs.rmSync(scratch, { recursive: true, force: true }));

function shuffle<T>(list: readonly T[], seed: number): T[] {
  const random = seededRandom(seed, 'order');
  const rest = [...list];
  return list.map(() => rest.splice(random.below(rest.length), 1)[0]!);
}
