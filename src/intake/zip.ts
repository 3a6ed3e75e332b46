// Recordings in a zip archive: which entries are recordings, and what is wrong with the others. An archive whose directory is
// lost is read by its local headers. Standard: APPNOTE 6.3.10 (stored and deflated entries, Zip64, data descriptors).
import { RecordingError } from '../errors.js';
import { type FileSource, type Progress, readAt } from './file-source.js';
import { gunzip } from './gzip.js';
import { captureInside, type Intake, newBytes, type Opened, type Part, readHead, readOpened } from './part.js';
import { captureFormat, isHidden, isText, recognise } from './recognise.js';
import { printable } from './station-name.js';
import { readZipDirectory, type ZipEntry } from './zip-directory.js';
import { entryError, readZipEntry, unsafeName, unsupportedEntry } from './zip-entry.js';
import { walkLocalHeaders, type ZipWalk } from './zip-walk.js';

const END_SIGNATURE = Buffer.from([0x50, 0x4b, 0x05, 0x06]);
const END_BYTES = 22 + 0xffff; // with the longest comment

const hasEndRecord = async (source: FileSource, file: string): Promise<boolean> => {
  const tail = await readAt(source, file, Math.max(0, source.size - END_BYTES), END_BYTES);
  return tail.includes(END_SIGNATURE);
};

/** What the walk saved, for the message about the lost directory. */
const describeWalk = ({ entries }: ZipWalk): string => {
  const whole = entries.filter(({ name, size }) => size !== undefined && !name.endsWith('/'));
  const rest = entries.find(({ size }) => size === undefined);
  const names = whole.slice(0, 5).map(({ name }) => printable(name, 80));
  if (whole.length > names.length) names.push('…');
  const saved = whole.length === 0 ? 'no whole entry' : `${whole.length} whole (${names.join(', ')})`;
  return `saved: ${saved}${rest ? ` and the beginning of ${printable(rest.name, 80)}` : ''}`;
};

/** The entries, and what to say when the directory did not give them. */
const listEntries = async (
  source: FileSource,
  file: string,
  intake: Intake,
): Promise<{ entries: ZipEntry[]; problems: RecordingError[] }> => {
  try {
    return { entries: await readZipDirectory(source, file, intake.limits.entries), problems: [] };
  } catch (error) {
    if (error instanceof RecordingError) throw error;
    const walk = await walkLocalHeaders(source, file, intake.limits);
    const isCut = walk.end === 'cut' || !(await hasEndRecord(source, file));
    const what = isCut
      ? 'the archive ends without its directory: it was probably cut off while it was copied'
      : `the directory of the archive cannot be read (${error instanceof Error ? error.message : String(error)})`;
    const problem = `${what}; ${describeWalk(walk)}; copy it again for the rest`;
    return {
      entries: walk.entries,
      problems: [new RecordingError(isCut ? 'archive-cut' : 'archive-damaged', file, walk.at, problem)],
    };
  }
};

/** Makes the part of one entry; `null` where it is a text. */
const openEntry = async (source: FileSource, file: string, entry: ZipEntry, intake: Intake): Promise<Part | null> => {
  const { limits } = intake;
  const name = `${file}/${entry.name}`;
  const plain = (
    opened: FileSource,
    buffer: Uint8Array,
    progress?: Progress,
  ): AsyncGenerator<Uint8Array, void, undefined> => readZipEntry(opened, file, entry, limits, buffer, progress);
  const head = await readHead(plain(source, new Uint8Array(4096)));
  if (isText(head)) return null;
  const inner = recognise(head);
  if (inner === 'zip') {
    const what = 'it is a zip archive inside a zip archive; unpack the outer one and hand in the folder';
    throw entryError('archive-entry-unsupported', file, entry, entry.offset, what);
  }
  const beginning = (): AsyncGenerator<Uint8Array, void, undefined> => plain(source, new Uint8Array(4096));
  return {
    name,
    archive: file,
    container: 'zip',
    capture: inner === 'gzip' ? await captureInside(gunzip(beginning, name, limits)) : captureFormat(head),
    storedBytes: Math.min(entry.compressedSize, source.size - entry.offset),
    size: inner === 'raw' ? entry.size : undefined,
    read: (buffer, onRead) =>
      readOpened(intake.open, file, (opened) => {
        const progress = newBytes(entry.offset, onRead);
        const unzipped = (): AsyncGenerator<Uint8Array, void, undefined> => plain(opened, buffer, progress);
        return inner === 'gzip' ? gunzip(unzipped, name, limits) : unzipped();
      }),
  };
};

/**
 * Finds the recordings of the archive `source`.
 *
 * @returns its parts in the order of the archive, with a problem for each entry that cannot be used
 * @throws RecordingError where nothing of the archive can be read
 */
export async function openZip(file: string, source: FileSource, intake: Intake): Promise<Opened> {
  const { entries, problems } = await listEntries(source, file, intake);
  const parts: Part[] = [];
  let totalBytes = 0;
  for (const entry of entries) {
    try {
      const unsafe = unsafeName(entry);
      if (unsafe) throw entryError('archive-entry-unsafe', file, entry, entry.offset, `${unsafe}; it is left out`);
      if (entry.name.endsWith('/') || isHidden(entry.name)) continue;
      const unsupported = unsupportedEntry(entry);
      if (unsupported) throw entryError('archive-entry-unsupported', file, entry, entry.offset, unsupported);
      if (entry.size === 0) throw entryError('empty', file, entry, entry.offset, 'there are no bytes in it');
      totalBytes += entry.size ?? 0;
      if (totalBytes > intake.limits.totalBytes) {
        const what = `with it the archive unpacks to more than ${intake.limits.totalBytes} bytes; unpack it and hand in the folder`;
        throw entryError('archive-too-large', file, entry, entry.offset, what);
      }
      const part = await openEntry(source, file, entry, intake);
      if (part) parts.push(part);
    } catch (error) {
      if (!(error instanceof RecordingError)) throw error;
      // Nothing is left of the entry that was cut off; the walk has said so.
      if (entry.size !== undefined || error.code !== 'archive-cut') problems.push(error);
    }
  }
  return { parts, problems };
}
