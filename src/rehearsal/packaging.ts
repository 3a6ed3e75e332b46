// How a station hands in its recordings: numbered chunk files in a folder, gzipped files, captures, or one zip (APPNOTE of PKWARE, by yazl).
// Nothing in the bytes tells of this machine: times come from the station's clock, in UTC, wherever it is made.
import { closeSync, createReadStream, createWriteStream, mkdirSync, openSync, rmSync, writeSync } from 'node:fs';
import { basename, dirname } from 'node:path';
import { pipeline } from 'node:stream/promises';
import { createGzip } from 'node:zlib';
import { ZipFile } from 'yazl';
import { writeCaptureFile } from './capture-file.js';
import type { Packaging } from './stations.js';

/** Writes a byte stream as `BASE.bin`, or as `BASE-0001.bin`, `BASE-0002.bin`, … of `chunkBytes` each. */
export class ChunkWriter {
  /** Paths written, in order. */
  readonly paths: string[] = [];
  readonly #base: string;
  readonly #chunkBytes: number;
  #file = -1;
  #room = 0;

  constructor(base: string, chunkBytes: number | undefined) {
    this.#base = base;
    this.#chunkBytes = chunkBytes ?? Number.POSITIVE_INFINITY;
    mkdirSync(dirname(base), { recursive: true });
  }

  write(bytes: Uint8Array): void {
    for (let at = 0; at < bytes.length; ) {
      if (this.#room === 0) this.#open();
      const size = Math.min(bytes.length - at, this.#room);
      // A write may take fewer bytes than it is given.
      const written = writeSync(this.#file, bytes, at, size);
      at += written;
      this.#room -= written;
    }
  }

  close(): void {
    if (this.#file >= 0) closeSync(this.#file);
    this.#file = -1;
  }

  #open(): void {
    this.close();
    const number =
      this.#chunkBytes === Number.POSITIVE_INFINITY ? '' : `-${String(this.paths.length + 1).padStart(4, '0')}`;
    const path = `${this.#base}${number}.bin`;
    this.#file = openSync(path, 'wx');
    this.#room = this.#chunkBytes;
    this.paths.push(path);
  }
}

/** `20270314T021530Z`: ISO 8601 basic format, as recorders commonly put it into file names. */
export function utcStamp(milliseconds: number): string {
  return `${new Date(milliseconds).toISOString().slice(0, 19).replaceAll(/[-:]/g, '')}Z`;
}

/** When what a station recorded came: `startedAt` of each file, ms since 1970 UTC by the station's clock, and the pace. */
export type RecordingTimes = { readonly startedAt: readonly number[]; readonly bytesPerSecond: number };

/**
 * Packs one station's chunk files, all in `folder`, and removes what it replaces: a zip stands
 * in the folder's place, gzipped files and captures in the files' places. So what all stations hand in is one entry each.
 *
 * @param modified milliseconds since 1970 UTC, for the archive's entries
 * @returns the path of each of `paths` after packing; for a zip `ARCHIVE/ENTRY`
 */
export async function packStation(
  packaging: Packaging,
  folder: string,
  paths: readonly string[],
  modified: number,
  times: RecordingTimes,
): Promise<string[]> {
  if (packaging === 'folder' || paths.length === 0) return [...paths];
  if (packaging === 'capture') {
    const captures = paths.map((path) => path.replace(/\.bin$/, '.pcapng'));
    for (const [index, path] of paths.entries()) {
      writeCaptureFile(path, captures[index]!, times.startedAt[index]!, times.bytesPerSecond);
    }
    for (const path of paths) rmSync(path);
    return captures;
  }
  if (packaging === 'gzip') {
    const packed = paths.map((path) => `${path}.gz`);
    for (const [index, path] of paths.entries()) await gzipFile(path, packed[index]!);
    for (const path of paths) rmSync(path);
    return packed;
  }
  const archive = `${folder}.zip`;
  const zip = new ZipFile();
  // The format's own time stamp has no zone and is made of local time: local noon here must be UTC noon in the file.
  const utc = new Date(modified);
  const mtime = new Date(
    utc.getUTCFullYear(),
    utc.getUTCMonth(),
    utc.getUTCDate(),
    utc.getUTCHours(),
    utc.getUTCMinutes(),
    utc.getUTCSeconds(),
  );
  for (const path of paths) zip.addFile(path, basename(path), { mtime, mode: 0o100644, forceDosTimestamp: true });
  zip.end();
  await pipeline(zip.outputStream, createWriteStream(archive, { flags: 'wx' }));
  rmSync(folder, { recursive: true });
  return paths.map((path) => `${archive}/${basename(path)}`);
}

/** Byte of the gzip header that names the operating system, and the value for "unknown" (RFC 1952, 2.3.1). */
const GZIP_SYSTEM_AT = 9;
const GZIP_SYSTEM_UNKNOWN = 255;

async function gzipFile(path: string, target: string): Promise<void> {
  await pipeline(createReadStream(path), createGzip(), createWriteStream(target, { flags: 'wx' }));
  const file = openSync(target, 'r+');
  writeSync(file, Uint8Array.of(GZIP_SYSTEM_UNKNOWN), 0, 1, GZIP_SYSTEM_AT);
  closeSync(file);
}
