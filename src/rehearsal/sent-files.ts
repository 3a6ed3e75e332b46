// The files that a rehearsal sends, with their numbers: from a list, or from a folder by the mission's catalogue.
import { readdirSync, readFileSync } from 'node:fs';
import { basename, join } from 'node:path';
import { UsageError } from '../errors.js';
import type { Mission } from '../mission/mission.js';
import type { CarouselEvents, CarouselFile } from './carousel.js';

export type RehearsalFile = { readonly file: number; readonly path: string };

/** What happens on board, with new contents as paths. */
export type RehearsalEvents = Omit<CarouselEvents, 'replacements'> & {
  readonly replacements?: readonly { readonly from: number; readonly file: number; readonly path: string }[];
};

/** @throws UsageError for what cannot be read, a number used twice, or nothing at all */
export function readFiles(mission: Mission, files: string | readonly RehearsalFile[]): CarouselFile[] {
  const numbered = typeof files === 'string' ? numberFolder(mission, files) : files;
  if (numbered.length === 0)
    throw new UsageError(`there are no files to send${typeof files === 'string' ? ` in ${files}` : ''}`);
  const taken = new Set(mission.files.descriptor ? [mission.files.descriptor.file] : []);
  return numbered.map(({ file, path }) => {
    if (taken.has(file)) throw new UsageError(`${path}: file number ${file} is taken already`);
    taken.add(file);
    return { file, edition: 1, name: basename(path), content: readContent(path) };
  });
}

function numberFolder(mission: Mission, folder: string): RehearsalFile[] {
  let names: string[];
  try {
    names = readdirSync(folder, { withFileTypes: true })
      .filter((entry) => entry.isFile() && !entry.name.startsWith('.'))
      .map(({ name }) => name)
      .sort();
  } catch (error) {
    throw new UsageError(`${folder} cannot be read: ${(error as Error).message}`);
  }
  const known = new Map(mission.files.catalogue.map(({ name, file }) => [name, file]));
  const taken = new Set([...known.values(), mission.files.descriptor?.file]);
  let next = 1;
  return names.map((name) => {
    const file = known.get(name);
    if (file !== undefined) return { file, path: join(folder, name) };
    while (taken.has(next)) next += 1;
    taken.add(next);
    return { file: next, path: join(folder, name) };
  });
}

/** @throws UsageError for what cannot be read */
export function readEvents(events: RehearsalEvents = {}): CarouselEvents {
  const { replacements = [], ...others } = events;
  return {
    ...others,
    replacements: replacements.map(({ from, file, path }) => ({ from, file, content: readContent(path) })),
  };
}

function readContent(path: string): Uint8Array {
  try {
    return readFileSync(path);
  } catch (error) {
    throw new UsageError(`${path} cannot be read: ${(error as Error).message}`);
  }
}
