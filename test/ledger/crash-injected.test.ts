// The disk fails at every single operation of a small run, in every way a power cut may leave it. Whatever is left, the ledger opens,
// what it says is there can be read, and the same run again ends like one that was never broken off.
import fs from 'node:fs';
import os from 'node:os';
import path from 'node:path';
import { afterAll, beforeAll, describe, expect, test } from 'vitest';
import { type Disk, realDisk } from '../../src/ledger/disk.js';
import { Ledger } from '../../src/ledger/ledger.js';
import { mergeLedger } from '../../src/ledger/merge.js';
import { seededRandom } from '../../src/rehearsal/random.js';
import {
  type Heard,
  handIn,
  missionText,
  type Result,
  resultOf,
  scratchFolder,
  sending,
  withoutNotes,
} from './material.js';
import { FATES, type Fate, PowerCut, ShadowDisk } from './shadow-disk.js';

// Payloads of 1500 bytes: segments lie across pages.
const mission = missionText({ payload: 1500 });

/** File 3 arrives with conflicting contents, the second recording repeats part of the first and adds to it. */
const recordings: Heard[] = [
  { station: 'saltmarsh', name: 'a.bin', sent: [...sending(1, 9, 0), ...sending(2, 4, 9), ...sending(3, 5, 13)] },
  {
    station: 'highfell',
    name: 'b.bin',
    sent: [
      ...sending(1, 9, 0).slice(3),
      ...sending(3, 5, 33).slice(0, 4),
      { counter: 37, file: 3, segments: 5, segment: 4, content: 1 },
    ],
  },
  {
    station: 'saltmarsh',
    name: 'c.bin',
    sent: [...sending(4, 6, 60), { counter: 66, file: 3, segments: 5, segment: 4, content: 2 }],
  },
];

/** Hands in everything, one session for each recording; throws where the disk fails. Tells how many recordings were taken in. */
function run(
  folder: string,
  disk: ShadowDisk | typeof realDisk,
  taken: (xxh64: string) => void = () => undefined,
): void {
  for (const heard of recordings) {
    // Steps of three payloads: a recording goes through several.
    const ledger = Ledger.open(folder, { mission, disk, stepBytes: 4500 });
    try {
      const xxh64 = handIn(ledger, heard, 7);
      ledger.commit();
      taken(xxh64);
    } finally {
      ledger.abandon();
    }
  }
}

/** The same in one session, with a commit at its end alone: what was heard is written while more comes in. */
function runInOne(
  folder: string,
  disk: ShadowDisk | typeof realDisk,
  taken: (xxh64: string) => void = () => undefined,
): void {
  const ledger = Ledger.open(folder, { mission, disk, stepBytes: 4500 });
  try {
    const hashes = recordings.map((heard) => handIn(ledger, heard, 7));
    ledger.commit();
    hashes.forEach(taken);
  } finally {
    ledger.abandon();
  }
}

/** A process that was killed leaves its lock behind. */
function leaveStaleLock(folder: string): void {
  if (fs.existsSync(folder)) fs.writeFileSync(path.join(folder, 'lock'), '4194305');
}

/** Reads every segment that the ledger says is there; how many are not what the journal says. */
function lostSegments(ledger: Ledger): number {
  const buffer = Buffer.alloc(ledger.payloadSize);
  for (const stored of ledger.files.values()) {
    for (const lane of stored.lanes)
      for (const key of lane.table.keys()) ledger.readSegments(stored, lane, key, 1, buffer);
  }
  return ledger.lostSegments;
}

let expected: Result;
let scratch: string;
beforeAll(async () => {
  scratch = fs.mkdtempSync(path.join(os.tmpdir(), 'ledger-crash-'));
  const folder = path.join(scratch, 'whole');
  run(folder, realDisk);
  const ledger = Ledger.open(folder);
  expected = withoutNotes(await resultOf(ledger));
  ledger.close();
});
afterAll(() => fs.rmSync(scratch, { recursive: true, force: true }));

function countOperations(work: (disk: ShadowDisk, folder: string) => void): number {
  const root = scratchFolder();
  const disk = new ShadowDisk(root, Number.POSITIVE_INFINITY);
  work(disk, path.join(root, 'out', 'ledger'));
  return disk.operations;
}

describe.each(FATES)('a run broken off at any operation, unsynced writes %s,', { timeout: 240_000 }, (fate: Fate) => {
  test.each([
    ['recording by recording', run, 60],
    ['in one session', runInOne, 50],
  ])(
    'leaves a ledger that has lost nothing it had committed, and goes on to the same end, %s',
    async (_, run, least) => {
      const operations = countOperations((disk, folder) => run(folder, disk));
      expect(operations).toBeGreaterThan(least);
      for (let failAt = 1; failAt <= operations; failAt++) {
        const where = `operation ${failAt} of ${operations}`;
        const root = path.join(scratch, `${fate}-${failAt}`);
        const folder = path.join(root, 'out', 'ledger');
        fs.mkdirSync(root);
        const disk = new ShadowDisk(root, failAt);
        const taken: string[] = [];
        expect(() => run(folder, disk, (xxh64) => taken.push(xxh64)), where).toThrow(PowerCut);
        disk.cutPower(fate, seededRandom(failAt, fate));
        leaveStaleLock(folder);

        const opened = Ledger.open(folder, { mission });
        expect([...opened.receptions.keys()], where).toEqual(expect.arrayContaining(taken));
        expect(lostSegments(opened), where).toBe(0);
        for (const { xxh64, runs, damaged } of opened.receptions.values()) {
          for (const { file, segments, key, count, lane } of runs) {
            const { table } = opened.files.get(`${file}-${segments}`)!.lanes[lane]!;
            for (let i = 0; i < count; i++) expect(table.hashOf(key + i), where).toBeGreaterThanOrEqual(0);
          }
          expect(opened.damagedBytes(xxh64).length).toBe(damaged.reduce((sum, [, , , bytes]) => sum + bytes, 0));
        }
        opened.abandon();

        run(folder, new ShadowDisk(root, Number.POSITIVE_INFINITY));
        const ledger = Ledger.open(folder);
        expect(ledger.notes, where).toEqual([]);
        expect(withoutNotes(await resultOf(ledger)), where).toEqual(expected);
        ledger.close();
        fs.rmSync(root, { recursive: true });
      }
    },
  );

  test('leaves nothing to tell twice: what was wrong is noted on the first opening alone', () => {
    const operations = countOperations((disk, folder) => run(folder, disk));
    for (let failAt = 1; failAt <= operations; failAt += 3) {
      const root = scratchFolder();
      const folder = path.join(root, 'out', 'ledger');
      const disk = new ShadowDisk(root, failAt);
      expect(() => run(folder, disk)).toThrow(PowerCut);
      disk.cutPower(fate, seededRandom(failAt, `${fate}/notes`));
      leaveStaleLock(folder);
      const first = Ledger.open(folder, { mission });
      expect(first.notes.length).toBeLessThanOrEqual(2);
      first.close();
      const second = Ledger.open(folder);
      expect(second.notes).toEqual([]);
      second.close();
    }
  });
});

describe.each(FATES)('a merge broken off at any operation, unsynced writes %s,', { timeout: 240_000 }, (fate: Fate) => {
  test('goes on to the same end when it is done again', async () => {
    const sources = recordings.map((heard, i) => {
      const folder = path.join(scratch, `source-${fate}-${i}`);
      const ledger = Ledger.open(folder, { mission });
      handIn(ledger, heard, 7);
      ledger.close();
      return folder;
    });
    const mergeAll = (folder: string, disk: ShadowDisk | typeof realDisk): void => {
      const into = Ledger.open(folder, { mission, disk });
      try {
        for (const source of sources) mergeLedger(source, folder, into);
      } finally {
        into.abandon();
      }
    };
    const operations = countOperations((disk, folder) => mergeAll(folder, disk));
    // Every second operation; with the five fates all of them come up.
    for (let failAt = 1 + (FATES.indexOf(fate) % 2); failAt <= operations; failAt += 2) {
      const root = path.join(scratch, `merge-${fate}-${failAt}`);
      const folder = path.join(root, 'ledger');
      fs.mkdirSync(root);
      const disk = new ShadowDisk(root, failAt);
      let broken = false;
      try {
        mergeAll(folder, disk);
      } catch (error) {
        if (!(error instanceof PowerCut)) throw error;
        broken = true;
      }
      expect(broken || failAt > operations - 2).toBe(true);
      disk.cutPower(fate, seededRandom(failAt, `${fate}/merge`));
      leaveStaleLock(folder);
      mergeAll(folder, new ShadowDisk(root, Number.POSITIVE_INFINITY));
      const ledger = Ledger.open(folder);
      expect(lostSegments(ledger)).toBe(0);
      expect(withoutNotes(await resultOf(ledger))).toEqual(expected);
      ledger.close();
      fs.rmSync(root, { recursive: true });
    }
  });
});

describe('after an error of the disk', () => {
  test('closing the ledger commits nothing more, and lets it go', () => {
    for (let failAt = 1; ; failAt++) {
      const folder = path.join(scratchFolder(), 'ledger');
      // Fails once, like a disk that is full for a moment.
      let done = 0;
      const fail = (): void => {
        if (++done === failAt) throw new Error('no space left');
      };
      const disk: Disk = {
        ...realDisk,
        write: (...args) => {
          fail();
          realDisk.write(...args);
        },
        sync: (fd) => {
          fail();
          realDisk.sync(fd);
        },
      };
      const ledger = Ledger.open(folder, { mission, disk });
      try {
        for (const heard of recordings) handIn(ledger, heard);
        ledger.commit();
        expect(done).toBeLessThan(failAt);
      } catch (error) {
        expect((error as Error).message).toBe('no space left');
        expect(() => ledger.commit()).toThrow('writing it failed before');
      }
      ledger.close();
      const opened = Ledger.open(folder);
      expect(lostSegments(opened)).toBe(0);
      opened.close();
      if (done < failAt) break;
    }
  });
});

test('what a recording heard is on disk while the next one comes in, if there is something to write', () => {
  const root = scratchFolder();
  const ledger = Ledger.open(path.join(root, 'ledger'), {
    mission,
    disk: new ShadowDisk(root, Number.POSITIVE_INFINITY),
    stepBytes: 4500,
  });
  const files = (): string[] => fs.readdirSync(path.join(ledger.folder, 'recordings'));
  const first = handIn(ledger, recordings[0]!, 7);
  expect(files()).toEqual([]);
  const second = handIn(ledger, { station: 'highfell', name: 'd.bin', sent: sending(5, 20, 100) }, 7);
  expect(files()).toEqual([`${first}.json`]);
  expect([...ledger.receptions.keys()]).toEqual([first, second]);
  expect(ledger.damagedBytes(second).length).toBeGreaterThan(0);
  ledger.commit();
  expect(files().sort()).toEqual([`${first}.json`, `${second}.json`].sort());
  ledger.close();
});

describe('the list of what was written', () => {
  test('costs only time when it is torn', async () => {
    const { buildCoverage } = await import('../../src/coverage/build-coverage.js');
    const { OutputFolder } = await import('../../src/files/output-folder.js');
    const { contents } = await import('./material.js');
    const root = scratchFolder();
    const folder = path.join(root, 'ledger');
    run(folder, realDisk);
    const build = async (): Promise<Result> => {
      const ledger = Ledger.open(folder);
      const { coverage } = await buildCoverage(ledger, new OutputFolder(path.join(root, 'out')), null);
      ledger.close();
      return { coverage, files: contents(path.join(root, 'out')) };
    };
    const cache = path.join(folder, 'outputs.json');
    expect(withoutNotes(await build())).toEqual(expected);
    const whole = fs.readFileSync(cache);
    const torn = [
      Buffer.alloc(0),
      Buffer.alloc(whole.length),
      ...[1, 2, 100, whole.length - 1].map((end) => whole.subarray(0, end)),
    ];
    for (const bytes of torn) {
      fs.writeFileSync(cache, bytes);
      expect(withoutNotes(await build())).toEqual(expected);
      expect(fs.readFileSync(cache).equals(whole)).toBe(true);
    }
  });
});
