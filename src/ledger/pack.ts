// A ledger as one zip to send, and back. Only the ledger's own files go in or come out. Of the sparse data files only what is there
// is packed, so that holes cost neither time nor space, here or there: `pack.json` in the zip lists all files with their extents.
import fs from 'node:fs';
import os from 'node:os';
import path from 'node:path';
import { Readable } from 'node:stream';
import { pipeline } from 'node:stream/promises';
import { type Options, ZipFile } from 'yazl';
import { z } from 'zod';
import { rangesLength } from '../bytes/ranges.js';
import { RecordingError } from '../errors.js';
import { type FileSource, openFileSource, openOrFail } from '../intake/file-source.js';
import { printable } from '../intake/station-name.js';
import { readZipDirectory, type ZipEntry } from '../intake/zip-directory.js';
import { readZipEntry, unsupportedEntry } from '../intake/zip-entry.js';
import { Ledger } from './ledger.js';

/** The names a packed ledger may hold: nothing else is unpacked. */
const OWN_NAME =
  /^(ledger\.json|segments\.journal|missions\/[0-9a-f]{64}\.yaml|recordings\/[0-9a-f]{16}\.json|damaged\/[0-9a-f]{16}\.bin|data\/f\d+-\d+\.\d+)$/;
const LIST = 'pack.json';
const FORMAT = 'passweave-pack/1';
const BUFFER_BYTES = 1 << 20;
const MAX_ENTRIES = 1_000_000;
const MAX_LIST_BYTES = 256 << 20;
/** What a ledger may unpack to, in times of the zip's size: payloads hardly deflate, so more is a bomb. Small ones may in any case. */
const MAX_RATIO = 100;
const RATIO_FREE_BYTES = 1 << 30;
const MAX_UNPACKED_BYTES = 2 ** 40;

/** By name of the file: where the packed bytes belong in it, as sorted half-open ranges of bytes. */
type Extents = Record<string, number[]>;

const ranges = z
  .array(
    z
      .int()
      .min(0)
      .max(2 ** 44),
  )
  .refine(isRising, 'expected rising ranges');
const listFile = z.object({ format: z.literal(FORMAT), extents: z.record(z.string().regex(OWN_NAME), ranges) });

function isRising(ranges: readonly number[]): boolean {
  return (
    ranges.length % 2 === 0 &&
    ranges.every((at, i) => i === 0 || at > ranges[i - 1]! || (i % 2 === 0 && at === ranges[i - 1]))
  );
}

/**
 * Packs the ledger folder `source` into `zip`, through a temporary name.
 *
 * @returns bytes of the zip
 * @throws LedgerError when there is no usable ledger
 */
export async function packLedger(source: string, zip: string): Promise<number> {
  const ledger = Ledger.open(source);
  const temporary = `${zip}.part`;
  try {
    const archive = new ZipFile();
    const output = archive.outputStream as Readable;
    archive.on('error', (error: Error) => output.destroy(error));
    // A fixed time and order: the same ledger packs to the same bytes.
    const options: Partial<Options> = { mtime: new Date(1980, 0, 1), forceDosTimestamp: true, mode: 0o100644 };
    const extents = extentsOf(ledger);
    archive.addBuffer(Buffer.from(JSON.stringify({ format: FORMAT, extents })), LIST, options);
    for (const [name, own] of Object.entries(extents)) {
      const bytes = Readable.from(readExtents(path.join(source, name), own), { objectMode: false });
      archive.addReadStream(bytes, name, { ...options, size: rangesLength(own) });
    }
    archive.end();
    await pipeline(output, fs.createWriteStream(temporary));
    fs.renameSync(temporary, zip);
    return fs.statSync(zip).size;
  } finally {
    fs.rmSync(temporary, { force: true });
    ledger.close();
  }
}

/** The ledger's own files: the whole of each, but of the data what is there. */
function extentsOf(ledger: Ledger): Extents {
  const extents: [string, number[]][] = [];
  for (const part of ['', 'missions', 'recordings', 'damaged']) {
    for (const file of fs.readdirSync(path.join(ledger.folder, part))) {
      const name = path.posix.join(part, file);
      const { size } = fs.statSync(path.join(ledger.folder, name));
      if (OWN_NAME.test(name)) extents.push([name, size > 0 ? [0, size] : []]);
    }
  }
  for (const { lanes } of ledger.files.values()) {
    for (const { path: file, table } of lanes) {
      const own: number[] = [];
      for (const key of table.keys()) {
        const start = ledger.positionOf(key);
        const end = start + table.lengthOf(key);
        if (own.length > 0 && start <= own.at(-1)!) own.push(Math.max(end, own.pop()!));
        else if (end > start) own.push(start, end);
      }
      if (own.length > 0) extents.push([`data/${file}`, own]);
    }
  }
  return Object.fromEntries(extents.sort(([a], [b]) => (a < b ? -1 : 1)));
}

/** The bytes of a file in `ranges`, gathered to blocks; zeros where the file has lost its end (the CRCs tell, on merging). */
async function* readExtents(file: string, ranges: readonly number[]): AsyncGenerator<Buffer> {
  const handle = fs.existsSync(file) ? await fs.promises.open(file, 'r') : undefined;
  try {
    let block = Buffer.alloc(BUFFER_BYTES);
    let filled = 0;
    for (let i = 0; i < ranges.length; i += 2) {
      for (let at = ranges[i]!; at < ranges[i + 1]!; ) {
        const size = Math.min(ranges[i + 1]! - at, BUFFER_BYTES - filled);
        await handle?.read(block, filled, size, at);
        at += size;
        filled += size;
        if (filled < BUFFER_BYTES) continue;
        yield block;
        block = Buffer.alloc(BUFFER_BYTES);
        filled = 0;
      }
    }
    if (filled > 0) yield block.subarray(0, filled);
  } finally {
    await handle?.close();
  }
}

/**
 * Unpacks a zip made by `packLedger` into a temporary folder.
 *
 * @throws RecordingError when it is not one, or damaged; then nothing is left of it
 */
export async function unpackLedger(zip: string): Promise<{ folder: string; discard: () => void }> {
  const source = await openOrFail(openFileSource, zip);
  const folder = fs.mkdtempSync(path.join(os.tmpdir(), 'passweave-'));
  const discard = (): void => fs.rmSync(folder, { recursive: true, force: true });
  try {
    const entries = await listEntries(source, zip);
    const extents = await readList(source, zip, entries.get(LIST)!);
    const foreign = [...entries.keys()].find((name) => name !== LIST && extents[name] === undefined);
    if (foreign !== undefined) throw noPlace(zip, foreign);
    for (const part of ['missions', 'recordings', 'damaged', 'data']) fs.mkdirSync(path.join(folder, part));
    for (const [name, own] of Object.entries(extents)) {
      const entry = entries.get(name);
      if (entry?.size !== rangesLength(own)) throw noPack(zip, `has not all of ${name}`);
      await writeExtents(readEntry(source, zip, entry), path.join(folder, name), own);
    }
    return { folder, discard };
  } catch (error) {
    discard();
    throw error;
  } finally {
    await source.close();
  }
}

function noPack(zip: string, what: string): RecordingError {
  return new RecordingError(
    'archive-damaged',
    zip,
    undefined,
    `${what}; expected a zip made by \`passweave pack\`, ask the station to send it again`,
  );
}

function noPlace(zip: string, name: string): RecordingError {
  const shown = JSON.stringify(printable(name));
  return new RecordingError(
    'archive-entry-unsafe',
    zip,
    undefined,
    `entry ${shown} does not belong in a packed ledger; nothing was taken from it`,
  );
}

/** The entries by name, all of them fit to be unpacked. */
async function listEntries(source: FileSource, zip: string): Promise<Map<string, ZipEntry>> {
  const list = await readZipDirectory(source, zip, MAX_ENTRIES).catch((error: unknown) => {
    if (error instanceof RecordingError) throw error;
    throw noPack(zip, `cannot be read as a zip (${(error as Error).message})`);
  });
  const entries = new Map(list.map((entry) => [entry.name, entry]));
  for (const entry of list) {
    if (!(OWN_NAME.test(entry.name) || entry.name === LIST) || entry.isSymlink || entries.get(entry.name) !== entry) {
      throw noPlace(zip, entry.name);
    }
    const unsupported = unsupportedEntry(entry);
    if (unsupported)
      throw new RecordingError('archive-entry-unsupported', zip, undefined, `entry ${entry.name}: ${unsupported}`);
  }
  if (!entries.has('ledger.json') || !entries.has(LIST)) throw noPack(zip, 'holds no packed ledger');
  const total = list.reduce((sum, { size }) => sum + size!, 0);
  const most = Math.min(MAX_UNPACKED_BYTES, Math.max(RATIO_FREE_BYTES, MAX_RATIO * source.size));
  if (!(total <= most)) {
    throw new RecordingError(
      'archive-too-large',
      zip,
      undefined,
      `would unpack to ${total} bytes, more than a ledger of ${source.size} bytes packed can hold`,
    );
  }
  return entries;
}

/** The bytes of an entry, never more than it states. */
function readEntry(source: FileSource, zip: string, entry: ZipEntry): AsyncGenerator<Uint8Array> {
  const limits = { ratio: Number.POSITIVE_INFINITY, ratioFreeBytes: 0, totalBytes: MAX_UNPACKED_BYTES };
  return readZipEntry(source, zip, entry, limits, new Uint8Array(BUFFER_BYTES));
}

async function readList(source: FileSource, zip: string, entry: ZipEntry): Promise<Extents> {
  if (entry.size! > MAX_LIST_BYTES) throw noPack(zip, `entry ${LIST} has ${entry.size} bytes`);
  const parts: Buffer[] = [];
  for await (const block of readEntry(source, zip, entry)) parts.push(Buffer.from(block));
  try {
    return listFile.parse(JSON.parse(Buffer.concat(parts).toString('utf8'))).extents;
  } catch {
    throw noPack(zip, `entry ${LIST} does not list a ledger's files`);
  }
}

/** Writes the blocks, one after the other, to `ranges` of a new file. */
async function writeExtents(blocks: AsyncIterable<Uint8Array>, file: string, ranges: readonly number[]): Promise<void> {
  const handle = await fs.promises.open(file, 'wx');
  try {
    let i = 0;
    let at = ranges[0] ?? 0;
    for await (const block of blocks) {
      for (let done = 0; done < block.length; ) {
        const size = Math.min(block.length - done, ranges[i + 1]! - at);
        await handle.write(block, done, size, at);
        done += size;
        at += size;
        if (at === ranges[i + 1]) {
          i += 2;
          at = ranges[i] ?? 0;
        }
      }
    }
  } finally {
    await handle.close();
  }
}
