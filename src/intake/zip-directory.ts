// The directory of a zip archive, read by node-stream-zip; the entries' bytes are read by ourselves (its own streams are ten
// times slower). The library throws inside callbacks of the file system where an archive is hostile, which would end the process,
// and may search a whole file backwards into memory: so it is given our own `read`, which catches the one and bounds the other.
// Standard: APPNOTE 6.3.10, 4.3.12 to 4.3.16.
import fs from 'node:fs';
import StreamZip from 'node-stream-zip';
import { RecordingError } from '../errors.js';
import { type FileSource, readFailure } from './file-source.js';

/** An entry as the directory (or, in an archive that was cut, the local header) describes it. Nothing in it can be trusted. */
export type ZipEntry = {
  /** As written: untrusted. */
  readonly name: string;
  /** Of the local header, in the archive. */
  readonly offset: number;
  /** General purpose bits. */
  readonly flags: number;
  readonly method: number;
  readonly compressedSize: number;
  /** `undefined` in what is left of an entry that was cut off. */
  readonly size: number | undefined;
  readonly crc: number | undefined;
  readonly isSymlink: boolean;
  /** Lies in another file of a split archive. */
  readonly isElsewhere: boolean;
};

type LibraryEntry = StreamZip.ZipEntry & { fnameLen: number; extraLen: number; comLen: number };
type Library = StreamZip & { centralDirectory: { size: number } };
type ReadCallback = (error: Error | null, count?: number) => void;

const DIRECTORY_HEADER_BYTES = 46;
const READ_BYTES = 128 * 1024;
const SYMLINK = 0o120000;
const FILE_TYPE = 0o170000;

/** What the library takes for a file descriptor. */
class Session {
  readonly source: FileSource;
  readonly file: string;
  readonly fail: (error: unknown) => void;

  constructor(source: FileSource, file: string, fail: (error: unknown) => void) {
    this.source = source;
    this.file = file;
    this.fail = fail;
  }

  /** Runs a callback of the library; what it throws fails this archive alone. */
  run(callback: () => void): void {
    try {
      callback();
    } catch (error) {
      this.fail(error);
    }
  }

  read(into: Uint8Array, at: number, callback: ReadCallback): void {
    // It reads 128 KiB at a time; more means that it searches for what is not there.
    if (!Number.isSafeInteger(at) || at < 0 || into.length > 2 * READ_BYTES) {
      this.fail(new Error('its directory points outside of the archive'));
      return;
    }
    this.source.read(into, at).then(
      (count) => this.run(() => callback(null, count)),
      (error: unknown) => this.fail(readFailure(this.file, at, error)),
    );
  }
}

// The library takes the file system once for all; files that are no session of ours go to the real one.
(StreamZip as unknown as { setFs(replacement: object): void }).setFs({
  ...fs,
  fstat: (fd: unknown, callback: (error: Error | null, stats?: { size: number }) => void) => {
    if (fd instanceof Session) queueMicrotask(() => fd.run(() => callback(null, { size: fd.source.size })));
    else fs.fstat(fd as number, callback);
  },
  read: (fd: unknown, buffer: Buffer, offset: number, length: number, position: number, callback: ReadCallback) => {
    if (fd instanceof Session) fd.read(buffer.subarray(offset, offset + length), position, callback);
    else fs.read(fd as number, buffer, offset, length, position, callback);
  },
});

const toEntry = (entry: LibraryEntry): ZipEntry => ({
  name: entry.name,
  offset: entry.offset,
  flags: entry.flags,
  method: entry.method,
  compressedSize: entry.compressedSize,
  size: entry.size,
  crc: entry.crc,
  isSymlink: ((entry.attr >>> 16) & FILE_TYPE) === SYMLINK,
  isElsewhere: entry.diskStart !== 0,
});

/**
 * Reads the directory of the archive `source`.
 *
 * @param file for messages
 * @param maxEntries more are refused
 * @returns the entries in the directory's order, folders included, names of any kind
 * @throws RecordingError `archive-too-large`, or `unreadable` where a read failed
 * @throws Error where there is no directory or it makes no sense
 */
export function readZipDirectory(source: FileSource, file: string, maxEntries: number): Promise<ZipEntry[]> {
  return new Promise((resolve, reject) => {
    const entries: ZipEntry[] = [];
    let directoryBytes = 0;
    const session = new Session(source, file, reject);
    const library = new StreamZip({
      fd: session as unknown as number,
      storeEntries: false, // would keep one of several entries of the same name
      skipEntryNameValidation: true, // would give up the whole archive for one bad name
      chunkSize: READ_BYTES,
    }) as Library;
    library.on('error', reject);
    library.on('entry', (entry) => {
      const { fnameLen, extraLen, comLen } = entry as LibraryEntry;
      directoryBytes += DIRECTORY_HEADER_BYTES + fnameLen + extraLen + comLen;
      if (entries.length === maxEntries) {
        throw new RecordingError('archive-too-large', file, undefined, tooMany(maxEntries));
      }
      entries.push(toEntry(entry as LibraryEntry));
    });
    library.on('ready', () => {
      if (directoryBytes === library.centralDirectory.size) resolve(entries);
      // A damaged count of entries would otherwise hide the rest.
      else reject(new Error(`its directory has ${directoryBytes} bytes of ${library.centralDirectory.size}`));
    });
  });
}

/** The words for an archive with too many entries. */
export function tooMany(maxEntries: number): string {
  return `the archive has more than ${maxEntries} entries; unpack it and hand in the folder`;
}
