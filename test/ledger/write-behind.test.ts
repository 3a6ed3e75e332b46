// The writing thread, as it is built: everything arrives where it belongs, and what a write meets is told.
import fs from 'node:fs';
import path from 'node:path';
import { fileURLToPath, pathToFileURL } from 'node:url';
import { afterEach, describe, expect, test } from 'vitest';
import { takeFastMemory } from '../../src/bytes/fast-memory.js';
import { realDisk } from '../../src/ledger/disk.js';
import { LaneFiles } from '../../src/ledger/lane-files.js';
import type { Writer } from '../../src/ledger/write-behind.js';
import { noise, seeded } from '../layers/seeded.js';
import { scratchFolder } from './material.js';

const built = fileURLToPath(new URL('../../dist/ledger/write-behind.js', import.meta.url));
const { openWriteBehind } = (await import(
  pathToFileURL(built).href
)) as typeof import('../../src/ledger/write-behind.js');

const room = takeFastMemory(1 << 20)!;
const open: Writer[] = [];
afterEach(() => {
  for (const writer of open.splice(0)) writer.close();
});

async function startWriter(): Promise<Writer> {
  const writer = openWriteBehind()!;
  open.push(writer);
  while (!writer.isReady) await new Promise((resolve) => setTimeout(resolve, 5));
  return writer;
}

describe('the writing thread', () => {
  test('writes everything to its place, in the order in which it was begun, however many writes there are', async () => {
    const writer = await startWriter();
    const file = path.join(scratchFolder(), 'file');
    const fd = fs.openSync(file, 'w+');
    room.set(noise(room.length, 1));
    const random = seeded(2);
    const expected = Buffer.alloc(200_000);
    for (let i = 0; i < 3000; i++) {
      const size = 1 + Math.floor(random() * 3000);
      const from = Math.floor(random() * (room.length - size));
      // Places overlap: the last one stays.
      const to = Math.floor(random() * (expected.length - size));
      const write = writer.write(fd, room.subarray(from, from + size), to);
      room.copy(expected, to, from, from + size);
      if (i % 500 === 0) {
        writer.wait(write);
        expect(writer.isDone(write)).toBe(true);
        const there = fs.readFileSync(file);
        expect(there.equals(expected.subarray(0, there.length))).toBe(true);
      }
      if (i === 2999) writer.wait(write);
    }
    const there = fs.readFileSync(file);
    expect(there.equals(expected.subarray(0, there.length))).toBe(true);
    fs.closeSync(fd);
  });

  test.skipIf(!fs.existsSync('/dev/full'))(
    'tells that the disk is full, as soon as it is asked, and writes nothing more',
    async () => {
      const writer = await startWriter();
      const full = fs.openSync('/dev/full', 'r+');
      const file = path.join(scratchFolder(), 'file');
      const fd = fs.openSync(file, 'w+');
      const first = writer.write(full, room.subarray(0, 100), 0);
      expect(() => writer.wait(first)).toThrow(expect.objectContaining({ code: 'ENOSPC' }));
      expect(() => writer.write(fd, room.subarray(0, 100), 0)).toThrow(expect.objectContaining({ code: 'ENOSPC' }));
      expect(() => writer.isDone(first)).toThrow(expect.objectContaining({ code: 'ENOSPC' }));
      expect(fs.statSync(file).size).toBe(0);
      for (const each of [full, fd]) fs.closeSync(each);
    },
  );

  test('serves the data files: what they hold is what was written, whichever of the two wrote it', async () => {
    const writer = await startWriter();
    let writes = 0;
    const counted: Writer = {
      get isReady() {
        return writer.isReady;
      },
      write: (...args) => {
        writes++;
        return writer.write(...args);
      },
      isDone: (write) => writer.isDone(write),
      wait: (write) => writer.wait(write),
      close: () => undefined,
    };
    const folder = scratchFolder();
    const files = new LaneFiles({ ...realDisk, openWriter: () => counted }, folder, 100_000);
    const random = seeded(3);
    room.set(noise(room.length, 4));
    const elsewhere = noise(5000, 5);
    const expected = new Map<string, Buffer>();
    for (let i = 0; i < 6000; i++) {
      const name = `f${Math.floor(random() * 80)}`;
      const model = expected.get(name) ?? Buffer.alloc(0);
      const bytes = random() < 0.1 ? elsewhere : room;
      const size = 1 + Math.floor(random() * 1500);
      const start = Math.floor(random() * (bytes.length - size));
      const content = Buffer.from(bytes.subarray(start, start + size));
      files.write(name, model.length, bytes, start, start + size);
      expected.set(name, Buffer.concat([model, content]));
      if (random() < 0.01) {
        const into = Buffer.alloc(content.length);
        expect(files.read(name, model.length, into)).toBe(content.length);
        expect(into.equals(content)).toBe(true);
      }
      if (random() < 0.02 && files.isSynced()) files.startSync();
    }
    files.sync();
    files.close();
    expect(writes).toBeGreaterThan(1000);
    for (const [name, content] of expected) expect(fs.readFileSync(path.join(folder, name)).equals(content)).toBe(true);
  });
});
