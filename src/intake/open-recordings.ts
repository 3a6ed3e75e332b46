// What the user handed in, opened: files, archives, folders of one station, and collections with one entry per station.
// Nothing is read here but the first bytes and the directories, and captures once to find their flows; a path that fails leaves
// the others alone.
import { realpath } from 'node:fs/promises';
import path from 'node:path';
import { RecordingError } from '../errors.js';
import { openCapture } from './capture.js';
import { groupChunks } from './chunk-order.js';
import { type OpenFile, openFileSource, openOrFail, readAt } from './file-source.js';
import { listFolder, type PathKind, pathKind, walkFolder } from './folder.js';
import { gzipPart } from './gzip.js';
import { joinParts } from './join-parts.js';
import type { Intake, IntakeLimits, Opened, Part } from './part.js';
import { rawPart } from './raw.js';
import { captureFormat, HEAD_BYTES, isText, recognise } from './recognise.js';
import type { Container, Recording } from './source.js';
import { stationOfArchive, stationOfFile, stationOfFolder } from './station-name.js';
import { openZip } from './zip.js';

export type IntakeOptions = {
  /** Paths whose station the user named; a path that is also among the others is opened once, under this name. */
  readonly stations?: readonly { readonly name: string; readonly path: string }[];
  /** Size of the buffer that a recording is read into. Default 4 MiB. */
  readonly blockBytes?: number;
  /** Defaults: `defaultLimits`. */
  readonly limits?: Partial<IntakeLimits>;
  /** Told, while blocks are read, how many more bytes of the containers were read from the disk. */
  readonly onRead?: (storedBytes: number) => void;
  /** How files are opened. Default: from the file system. */
  readonly open?: OpenFile;
};

/** What an archive may grow to before it is taken for a bomb. */
export const defaultLimits: IntakeLimits = {
  ratio: 200,
  ratioFreeBytes: 16 * 2 ** 20,
  totalBytes: 256 * 2 ** 30,
  entries: 100_000,
  flows: 64,
};

export type OpenedRecordings = {
  /** In the order of the paths; within a folder in natural order, within an archive in the archive's. */
  readonly recordings: Recording[];
  readonly problems: RecordingError[];
};

/** Runs `work`; a RecordingError becomes a problem, anything else is our own mistake. */
const collect = async (problems: RecordingError[], work: () => Promise<void>): Promise<void> => {
  try {
    await work();
  } catch (error) {
    if (!(error instanceof RecordingError)) throw error;
    problems.push(error);
  }
};

const nothingFound = (file: string, what: string): RecordingError =>
  new RecordingError(
    'empty',
    file,
    undefined,
    `expected recordings, found none in this ${what}; texts and hidden files are none`,
  );

/**
 * Opens the file `file`.
 *
 * @param isNamed the user named this very file, so that a text is read like anything else
 * @throws RecordingError
 */
const openFile = async (file: string, isNamed: boolean, intake: Intake): Promise<Opened> => {
  const source = await openOrFail(intake.open, file);
  try {
    if (source.size === 0) {
      const what = 'there are no bytes in it; the recorder wrote nothing or the copy failed';
      throw new RecordingError('empty', file, undefined, what);
    }
    const head = await readAt(source, file, 0, HEAD_BYTES);
    const container = recognise(head);
    if (container === 'zip') {
      const opened = await openZip(file, source, intake);
      if (opened.parts.length + opened.problems.length === 0) throw nothingFound(file, 'archive');
      return opened;
    }
    if (container === 'gzip') return { parts: [await gzipPart(file, source, intake)], problems: [] };
    return {
      parts: !isNamed && isText(head) ? [] : [rawPart(file, source, captureFormat(head), intake)],
      problems: [],
    };
  } finally {
    await source.close();
  }
};

/** What `file` looks like from outside; `none` for what is no recording or cannot be read. */
const peek = async (file: string, intake: Intake): Promise<'folder' | Container | 'none'> => {
  try {
    if ((await pathKind(file)) === 'folder') return 'folder';
    const source = await openOrFail(intake.open, file);
    try {
      const head = await readAt(source, file, 0, HEAD_BYTES);
      return head.length === 0 || isText(head) ? 'none' : recognise(head);
    } finally {
      await source.close();
    }
  } catch (error) {
    if (error instanceof RecordingError) return 'none';
    throw error;
  }
};

/** Whether `folder` holds one folder or archive per station, and no recording of its own. */
const isCollection = async (folder: string, intake: Intake): Promise<boolean> => {
  let stations = 0;
  for (const file of await listFolder(folder)) {
    const found = await peek(file, intake);
    if (found === 'folder' || found === 'zip') stations++;
    else if (found !== 'none') return false;
  }
  return stations > 0;
};

const join = async (opened: Opened, station: string, intake: Intake): Promise<OpenedRecordings> => {
  const groups = groupChunks(opened.parts);
  const perArchive = new Map<string | undefined, number>();
  for (const [first] of groups) perArchive.set(first?.archive, (perArchive.get(first?.archive) ?? 0) + 1);
  const recordings: Recording[] = [];
  const problems = [...opened.problems];
  for (const group of groups) {
    const plain = group.filter(({ capture }) => capture === undefined);
    const captures = group.filter(({ capture }) => capture !== undefined);
    const isOnlyOne = perArchive.get(group[0]?.archive) === 1;
    if (plain.length > 0) recordings.push(joinParts(station, plain, isOnlyOne, intake));
    if (captures.length === 0) continue;
    await collect(problems, async () => {
      const flows = await openCapture(station, captures, intake);
      recordings.push(...flows.recordings);
      problems.push(...flows.problems);
    });
  }
  return { recordings, problems };
};

const openNamedFile = async (
  file: string,
  station: string | undefined,
  isNamed: boolean,
  intake: Intake,
): Promise<OpenedRecordings> => {
  const opened = await openFile(file, isNamed, intake);
  const isArchive = opened.parts[0]?.archive !== undefined;
  return join(opened, station ?? (isArchive ? stationOfArchive(file) : stationOfFile(file)), intake);
};

/** A folder with the recordings of one station. */
const openStationFolder = async (
  folder: string,
  station: string,
  within: readonly string[],
  intake: Intake,
): Promise<OpenedRecordings> => {
  const parts: Part[] = [];
  const problems: RecordingError[] = [];
  for await (const file of walkFolder(folder, problems, within)) {
    await collect(problems, async () => {
      const opened = await openFile(file, false, intake);
      for (const part of opened.parts) parts.push(part);
      for (const problem of opened.problems) problems.push(problem);
    });
  }
  if (parts.length + problems.length === 0) problems.push(nothingFound(folder, 'folder'));
  return join({ parts, problems }, station, intake);
};

/** One file with recordings, or a folder with those of one station. */
export type Place = {
  readonly path: string;
  readonly kind: PathKind;
  /** `undefined` = the file is called after it. */
  readonly station: string | undefined;
  /** The user named this very path, so that a text is read like anything else. */
  readonly isNamed: boolean;
  /** Real paths of the folders that led here. */
  readonly within: readonly string[];
};

/** The places at a path: itself, or one per station where it is a collection. @throws RecordingError */
const placesAt = async (
  file: string,
  station: string | undefined,
  problems: RecordingError[],
  intake: Intake,
): Promise<Place[]> => {
  const kind = await pathKind(file);
  if (kind === 'file') return [{ path: file, kind, station, isNamed: true, within: [] }];
  if (station !== undefined || !(await isCollection(file, intake))) {
    return [{ path: file, kind, station: station ?? stationOfFolder(file), isNamed: false, within: [] }];
  }
  const within = [await realpath(file)];
  const places: Place[] = [];
  for (const entry of await listFolder(file)) {
    await collect(problems, async () => {
      const kind = await pathKind(entry);
      const station = kind === 'folder' ? stationOfFolder(entry) : undefined;
      places.push({ path: entry, kind, station, isNamed: false, within });
    });
  }
  return places;
};

const openPlace = ({ path, kind, station, isNamed, within }: Place, intake: Intake): Promise<OpenedRecordings> =>
  kind === 'file'
    ? openNamedFile(path, station, isNamed, intake)
    : openStationFolder(path, station ?? stationOfFolder(path), within, intake);

const makeIntake = ({ blockBytes = 4 * 2 ** 20, limits, onRead, open = openFileSource }: IntakeOptions): Intake => {
  if (!Number.isInteger(blockBytes) || blockBytes < 1)
    throw new RangeError(`a block of 1 byte or more, got ${blockBytes}`);
  return { open, blockBytes, limits: { ...defaultLimits, ...limits }, onRead };
};

/** Paths and stations as one list; a path that is among the stations' is opened once, under that name. */
const requestsOf = (
  paths: readonly string[],
  stations: readonly { readonly name: string; readonly path: string }[],
): { path: string; name?: string }[] => {
  const named = new Set(stations.map((station) => path.resolve(station.path)));
  return [...paths.filter((file) => !named.has(path.resolve(file))).map((file) => ({ path: file })), ...stations];
};

/**
 * Where the recordings lie that `openRecordings` would open, with the stations it would give them.
 *
 * @param problems gets one for each path that is not there or cannot be read
 */
export async function findPlaces(
  paths: readonly string[],
  problems: RecordingError[],
  options: IntakeOptions = {},
): Promise<Place[]> {
  const intake = makeIntake(options);
  const places: Place[] = [];
  for (const request of requestsOf(paths, options.stations ?? [])) {
    await collect(problems, async () => {
      places.push(...(await placesAt(request.path, request.name, problems, intake)));
    });
  }
  return places;
}

/**
 * Opens files of one station as `openRecordings` would if there were no others in their folder.
 *
 * @param isNamed the user named these very files
 */
export async function openTogether(
  files: readonly string[],
  station: string,
  isNamed: boolean,
  options: IntakeOptions = {},
): Promise<OpenedRecordings> {
  const intake = makeIntake(options);
  const parts: Part[] = [];
  const problems: RecordingError[] = [];
  for (const file of files) {
    await collect(problems, async () => {
      const opened = await openFile(file, isNamed, intake);
      parts.push(...opened.parts);
      problems.push(...opened.problems);
    });
  }
  return join({ parts, problems }, station, intake);
}

/**
 * Opens what the user handed in.
 *
 * A zip, and a folder that has recordings in it, is one station. A folder that holds nothing but folders and zips is a
 * collection: one station per entry. A station is called as its archive or folder is, or as its file is, without the time or
 * the number at the end of the name.
 *
 * @param paths in the order in which they are to be opened; those in `options.stations` follow
 * @returns the recordings, and one problem for each path, file or archive entry that gives none
 * @throws RangeError when `blockBytes` is not a positive whole number
 */
export async function openRecordings(paths: readonly string[], options: IntakeOptions = {}): Promise<OpenedRecordings> {
  const intake = makeIntake(options);
  const recordings: Recording[] = [];
  const problems: RecordingError[] = [];
  for (const request of requestsOf(paths, options.stations ?? [])) {
    await collect(problems, async () => {
      for (const place of await placesAt(request.path, request.name, problems, intake)) {
        await collect(problems, async () => {
          const opened = await openPlace(place, intake);
          for (const recording of opened.recordings) recordings.push(recording);
          for (const problem of opened.problems) problems.push(problem);
        });
      }
    });
  }
  return { recordings, problems };
}
