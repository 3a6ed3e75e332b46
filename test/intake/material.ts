// Recordings, archives and readers for the tests of the intake. Everything is seeded.
import { mkdirSync, mkdtempSync, rmSync, writeFileSync } from 'node:fs';
import { tmpdir } from 'node:os';
import path from 'node:path';
import { Readable } from 'node:stream';
import { buffer } from 'node:stream/consumers';
import { afterAll } from 'vitest';
import yazl from 'yazl';
import { RecordingError } from '../../src/errors.js';
import { type FileSource, type OpenFile, openFileSource } from '../../src/intake/file-source.js';
import type { IntakeOptions } from '../../src/intake/open-recordings.js';
import { openRecordings } from '../../src/intake/open-recordings.js';
import type { Recording } from '../../src/intake/source.js';

/** Whole numbers from 0 to 2^32 - 1 (xorshift, Marsaglia 2003). */
export function seeded(seed: number): () => number {
  let state = (seed * 0x9e3779b1) >>> 0 || 1;
  const next = () => {
    state ^= state << 13;
    state ^= state >>> 17;
    state ^= state << 5;
    state >>>= 0;
    return state;
  };
  for (let i = 0; i < 8; i++) next();
  return next;
}

/** Bytes of which about half can be compressed away; the first is no signature and no text. */
export function frames(length: number, seed: number): Buffer {
  const next = seeded(seed);
  const bytes = Buffer.alloc(length);
  for (let i = 0; i < length; i++) bytes[i] = i % 64 < 32 ? next() & 0xff : 0;
  if (length > 0) bytes[0] = 0;
  return bytes;
}

export type ZipInput = {
  name: string;
  bytes: Buffer;
  compress?: boolean;
  zip64?: boolean;
  descriptor?: boolean;
  mode?: number;
};

/** A zip by yazl. `descriptor`: sizes behind the data, as an archive that is written as it goes has them. */
export async function makeZip(inputs: readonly ZipInput[]): Promise<Buffer> {
  const zip = new yazl.ZipFile();
  for (const { name, bytes, compress = true, zip64 = false, descriptor = false, mode = 0o100644 } of inputs) {
    const options = { compress, forceZip64Format: zip64, mode, mtime: new Date(Date.UTC(2027, 2, 14)) };
    if (descriptor) zip.addReadStream(Readable.from([bytes]), name, options);
    else zip.addBuffer(bytes, name, options);
  }
  zip.end({ forceZip64Format: inputs.some(({ zip64 }) => zip64), comment: '' });
  return buffer(zip.outputStream as NodeJS.ReadableStream);
}

/** A copy with one text put in the place of another of the same length, everywhere. */
export function renamed(zip: Buffer, from: string, to: string): Buffer {
  const copy = Buffer.from(zip);
  for (let at = copy.indexOf(from); at >= 0; at = copy.indexOf(from, at + 1)) copy.write(to, at, 'latin1');
  return copy;
}

/** A fresh folder, gone when the test file is done. `put` writes a file in it and gives the path. */
export function workFolder(): { path: string; put(name: string, bytes: Uint8Array | string): string } {
  const folder = mkdtempSync(path.join(tmpdir(), 'passweave-intake-'));
  afterAll(() => rmSync(folder, { recursive: true, force: true }));
  return {
    path: folder,
    put(name, bytes) {
      const file = path.join(folder, name);
      mkdirSync(path.dirname(file), { recursive: true });
      writeFileSync(file, bytes);
      return file;
    },
  };
}

export type Read = { bytes: Buffer; error: RecordingError | undefined };

/** Reads a recording to its end or its RecordingError; checks that blocks follow each other. */
export async function readAll(recording: Recording): Promise<Read> {
  const blocks: Buffer[] = [];
  let at = 0;
  let error: RecordingError | undefined;
  try {
    for await (const block of recording.blocks()) {
      if (block.at !== at) throw new Error(`a block at ${block.at} where ${at} comes next`);
      if (block.bytes.length === 0) throw new Error('an empty block');
      at += block.bytes.length;
      blocks.push(Buffer.from(block.bytes));
    }
  } catch (thrown) {
    if (!(thrown instanceof RecordingError)) throw thrown;
    error = thrown;
  }
  return { bytes: Buffer.concat(blocks), error };
}

/** Opens one path that gives one recording without problems, and reads it. */
export async function readOnly(file: string, options: IntakeOptions = {}): Promise<Buffer> {
  const { recordings, problems } = await openRecordings([file], options);
  if (problems[0]) throw problems[0];
  if (recordings.length !== 1) throw new Error(`${recordings.length} recordings`);
  const { bytes, error } = await readAll(recordings[0]!);
  if (error) throw error;
  return bytes;
}

/** A file system in which reads go through `change`. */
export function openWith(change: (read: FileSource['read']) => FileSource['read']): OpenFile {
  return async (file) => {
    const source = await openFileSource(file);
    return { ...source, read: change(source.read) };
  };
}
