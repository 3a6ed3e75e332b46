// The data files: what is written is what is read and what is synced, with more files than may be open at a time.
import fs from 'node:fs';
import os from 'node:os';
import path from 'node:path';
import fc from 'fast-check';
import { afterAll, describe, expect, test } from 'vitest';
import { type Disk, realDisk } from '../../src/ledger/disk.js';
import { LaneFiles } from '../../src/ledger/lane-files.js';
import { seededRandom } from '../../src/rehearsal/random.js';
import { scratchFolder } from './material.js';

/** The real disk, watched: which files are open, and which have writes that no sync followed. */
function watchedDisk(): Disk & { most: number; unsynced: Set<string> } {
  const names = new Map<number, string>();
  const unsynced = new Set<string>();
  const watched = {
    ...realDisk,
    most: 0,
    unsynced,
    open: (file: string): number => {
      const fd = realDisk.open(file);
      names.set(fd, path.basename(file));
      watched.most = Math.max(watched.most, names.size);
      return fd;
    },
    write: (fd: number, bytes: Uint8Array, position: number): void => {
      unsynced.add(names.get(fd)!);
      realDisk.write(fd, bytes, position);
    },
    sync: (fd: number): void => {
      unsynced.delete(names.get(fd)!);
      realDisk.sync(fd);
    },
    close: (fd: number): void => {
      names.delete(fd);
      realDisk.close(fd);
    },
  };
  return watched;
}

describe('the data files', () => {
  test('hold what a buffer would hold, whatever is written and read in whatever order', () => {
    const step = fc.record({ file: fc.nat(2), position: fc.nat(300), size: fc.nat(200), read: fc.boolean() });
    fc.assert(
      fc.property(fc.array(step, { maxLength: 30 }), (steps) => {
        const folder = fs.mkdtempSync(path.join(scratch, 'lane-'));
        const files = new LaneFiles(realDisk, folder);
        const model = [0, 1, 2].map(() => Buffer.alloc(600));
        const ends = [0, 0, 0];
        for (const [i, { file, position, size, read }] of steps.entries()) {
          if (read) {
            const into = Buffer.alloc(size);
            const count = files.read(`f${file}`, position, into);
            expect(count).toBe(Math.max(0, Math.min(size, ends[file]! - position)));
            expect(into.subarray(0, count).equals(model[file]!.subarray(position, position + count))).toBe(true);
          } else if (size > 0) {
            const bytes = seededRandom(i, 'bytes').fill(new Uint8Array(size + 2));
            files.write(`f${file}`, position, bytes, 1, size + 1);
            model[file]!.set(bytes.subarray(1, size + 1), position);
            ends[file] = Math.max(ends[file]!, position + size);
          }
        }
        files.sync();
        files.close();
        for (const [file, end] of ends.entries()) {
          if (end === 0) continue;
          expect(fs.readFileSync(path.join(folder, `f${file}`)).equals(model[file]!.subarray(0, end))).toBe(true);
        }
      }),
    );
  });

  test('are 64 open at most, and all synced after a sync, those closed in between too', () => {
    const folder = scratchFolder();
    const disk = watchedDisk();
    const files = new LaneFiles(disk, folder);
    for (let round = 0; round < 3; round++) {
      for (let file = 0; file < 150; file++) files.write(`f${file}`, 10 * round, Buffer.alloc(10, file), 0, 10);
    }
    expect(disk.most).toBe(64);
    expect(disk.unsynced.size).toBeGreaterThan(0);
    files.sync();
    expect([...disk.unsynced]).toEqual([]);
    files.close();
    for (let file = 0; file < 150; file++) {
      expect(fs.readFileSync(path.join(folder, `f${file}`)).equals(Buffer.alloc(30, file))).toBe(true);
    }
  });

  test('take a payload larger than what is gathered', () => {
    const folder = scratchFolder();
    const files = new LaneFiles(realDisk, folder);
    const large = seededRandom(1, 'large').fill(new Uint8Array(3 << 20));
    files.write('f', 5, large, 0, 100);
    files.write('f', 105, large, 100, large.length);
    files.write('f', 5 + large.length, large, 0, 7);
    files.sync();
    files.close();
    const expected = Buffer.concat([Buffer.alloc(5), large, large.subarray(0, 7)]);
    expect(fs.readFileSync(path.join(folder, 'f')).equals(expected)).toBe(true);
  });
});

const scratch = fs.mkdtempSync(path.join(os.tmpdir(), 'lane-files-'));
afterAll(() => fs.rmSync(scratch, { recursive: true, force: true }));
