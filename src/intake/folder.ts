// The files of a folder, sub-folders included, in natural order; hidden files are no recordings.
import { readdir, realpath, stat } from 'node:fs/promises';
import path from 'node:path';
import { RecordingError } from '../errors.js';
import { compareNatural } from './chunk-order.js';
import { readFailure } from './file-source.js';
import { isHidden } from './recognise.js';

export type PathKind = 'file' | 'folder';

/**
 * What `file` is, links followed.
 *
 * @throws RecordingError `not-found`, `unreadable`: also for devices, sockets and pipes, which could be waited on for ever
 */
export async function pathKind(file: string): Promise<PathKind> {
  const stats = await stat(file).catch((error: unknown) => {
    throw readFailure(file, undefined, error);
  });
  if (stats.isDirectory()) return 'folder';
  if (stats.isFile()) return 'file';
  throw new RecordingError(
    'unreadable',
    file,
    undefined,
    'it is neither a file nor a folder; save what it gives to a file first',
  );
}

/**
 * The visible names in `folder`, as paths.
 *
 * @throws RecordingError `not-found`, `unreadable`
 */
export async function listFolder(folder: string): Promise<string[]> {
  const names = await readdir(folder).catch((error: unknown) => {
    throw readFailure(folder, undefined, error);
  });
  return names
    .filter((name) => !isHidden(name))
    .sort(compareNatural)
    .map((name) => path.join(folder, name));
}

/**
 * All visible files below `folder`: at each level its files and sub-folders in one natural order. A link back to a folder that
 * leads here is not followed.
 *
 * @param problems gets what could not be listed
 */
export async function* walkFolder(
  folder: string,
  problems: RecordingError[],
  within: readonly string[] = [],
): AsyncGenerator<string, void, undefined> {
  const real = await realpath(folder).catch(() => folder);
  if (within.includes(real)) return;
  try {
    for (const file of await listFolder(folder)) {
      try {
        if ((await pathKind(file)) === 'file') yield file;
        else yield* walkFolder(file, problems, [...within, real]);
      } catch (error) {
        if (!(error instanceof RecordingError)) throw error;
        problems.push(error);
      }
    }
  } catch (error) {
    if (!(error instanceof RecordingError)) throw error;
    problems.push(error);
  }
}
