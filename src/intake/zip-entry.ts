// Reading one entry of a zip archive: stored bytes straight from the file, deflated ones through zlib, both held against the
// size and the CRC-32 that the directory states. Standard: APPNOTE 6.3.10, 4.3.7, 4.4.4, 4.4.5, 4.4.7.
import { crc32 } from '../bytes/crc.js';
import { RecordingError } from '../errors.js';
import { type FileSource, type Progress, readAt, readRange } from './file-source.js';
import { type InflateLimits, type InflateTrouble, inflate } from './inflate.js';
import { printable } from './station-name.js';
import type { ZipEntry } from './zip-directory.js';

export const LOCAL_HEADER_BYTES = 30;
export const LOCAL_SIGNATURE = 0x04034b50;

export const STORED = 0;
export const DEFLATED = 8;

const ENCRYPTED = 0x0001 | 0x0040 | 0x2000; // traditional, strong, masked directory

/** Why an entry's name must not be used, in words; `undefined` when it may. */
export function unsafeName({ name, isSymlink }: ZipEntry): string | undefined {
  if (isSymlink) return 'it is a symbolic link';
  if (name === '') return 'it has no name';
  if (name.includes('\0')) return 'its name holds a zero byte';
  if (name.includes('\\')) return 'its name holds a backslash';
  if (/^(\/|[A-Za-z]:)/.test(name)) return 'its name is an absolute path';
  if (name.split('/').includes('..')) return 'its name leads out of the archive';
  return undefined;
}

/** Why an entry cannot be read, in words; `undefined` when it can. */
export function unsupportedEntry({ flags, method, isElsewhere }: ZipEntry): string | undefined {
  if (flags & ENCRYPTED) return 'it is encrypted; unpack it with its password and hand in the folder';
  if (isElsewhere) return 'it lies in another part of a split archive; join or unpack the parts first';
  if (method === STORED || method === DEFLATED) return undefined;
  return `its compression method ${method} is not read here, only stored (0) and deflated (8); unpack it and hand in the folder`;
}

/** An error of one entry; the position is that in the archive. */
export function entryError(
  code: RecordingError['code'],
  file: string,
  entry: ZipEntry,
  offset: number,
  what: string,
): RecordingError {
  return new RecordingError(code, file, offset, `entry ${printable(entry.name) || '(no name)'}: ${what}`);
}

/**
 * The bytes of `entry`, in views of `buffer` (stored) or blocks of zlib's own (deflated).
 *
 * @param file the archive, for messages
 * @param progress told positions in the archive
 * @throws RecordingError after what could be read: `archive-damaged` (also where only the CRC-32 fails), `archive-cut`,
 *   `archive-too-large`, `unreadable`
 */
export async function* readZipEntry(
  source: FileSource,
  file: string,
  entry: ZipEntry,
  limits: InflateLimits,
  buffer: Uint8Array,
  progress?: Progress,
): AsyncGenerator<Uint8Array, void, undefined> {
  const fail = (code: RecordingError['code'], offset: number, what: string): RecordingError =>
    entryError(code, file, entry, offset, what);

  const header = Number.isSafeInteger(entry.offset)
    ? await readAt(source, file, entry.offset, LOCAL_HEADER_BYTES)
    : Buffer.alloc(0);
  if (header.length < LOCAL_HEADER_BYTES || header.readUInt32LE(0) !== LOCAL_SIGNATURE) {
    throw fail('archive-damaged', entry.offset, 'expected its local header, found other bytes; pack it again');
  }
  const start = entry.offset + LOCAL_HEADER_BYTES + header.readUInt16LE(26) + header.readUInt16LE(28);
  const end = start + entry.compressedSize;
  const stored = (): AsyncGenerator<Uint8Array, void, undefined> =>
    readRange(source, file, start, Math.min(end, source.size), buffer, progress);
  const isWhole = entry.size !== undefined && end <= source.size;

  const trouble = ({ reason, at, detail }: InflateTrouble): RecordingError => {
    if (reason === 'too-large')
      return fail('archive-too-large', start + at, `${detail}; unpack it and hand in the file`);
    if (reason === 'cut' && !isWhole) return cutOff();
    return fail('archive-damaged', start + at, `its compressed data are damaged (${detail}); copy or pack it again`);
  };
  const cutOff = (): RecordingError =>
    fail('archive-cut', source.size, 'the archive ends before the entry does; copy it again if you can');

  let crc = 0;
  let size = 0;
  for await (const block of entry.method === DEFLATED ? inflate(stored, 'deflate', limits, trouble) : stored()) {
    size += block.length;
    if (size > (entry.size ?? limits.totalBytes)) {
      throw fail('archive-damaged', start, `it holds more than the ${entry.size} bytes it states; pack it again`);
    }
    crc = crc32(block, 0, block.length, crc);
    yield block;
  }
  if (!isWhole) throw cutOff();
  if (size !== entry.size) {
    throw fail('archive-damaged', start, `expected ${entry.size} bytes, found ${size}; copy or pack it again`);
  }
  if (crc !== entry.crc) {
    const found = crc.toString(16).padStart(8, '0');
    const expected = (entry.crc ?? 0).toString(16).padStart(8, '0');
    throw fail(
      'archive-damaged',
      start,
      `expected CRC-32 ${expected}, found ${found}: some bytes are wrong; copy it again`,
    );
  }
}
