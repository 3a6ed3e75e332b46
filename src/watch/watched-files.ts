// What lies in the watched places at one moment: recordings with the files that they consist of, grouped and called as the main job
// would. Says of each whether its bytes can be taken as they come, or only once all of them are there.
import type { Stats } from 'node:fs';
import { open, stat } from 'node:fs/promises';
import path from 'node:path';
import type { RecordingError } from '../errors.js';
import { groupChunks } from '../intake/chunk-order.js';
import { walkFolder } from '../intake/folder.js';
import { findPlaces, type Place } from '../intake/open-recordings.js';
import { captureFormat, HEAD_BYTES, isText, recognise } from '../intake/recognise.js';
import { stationOfArchive, stationOfFile } from '../intake/station-name.js';

export type WatchedFile = {
  /** The path. */
  readonly name: string;
  readonly bytes: number;
  /** Milliseconds since 1970 UTC. */
  readonly modifiedAt: number;
  /** Tells one file from another that is given its name. */
  readonly inode: string;
};

export type WatchedRecording = {
  readonly station: string;
  /** In the order of their numbers, one or more, none of them empty. */
  readonly files: readonly WatchedFile[];
  /** As recorded, so that every byte that is there can be used; archives, gzip and captures are opened once they are complete. */
  readonly isPlain: boolean;
  /** The user named this very file. */
  readonly isNamed: boolean;
};

export type WatchedPlaces = {
  readonly paths: readonly string[];
  readonly stations: readonly { readonly name: string; readonly path: string }[];
};

type Kind = 'plain' | 'packed' | 'zip' | 'text';

/** So long a file may stay shorter than what tells its kind. */
const YOUNG_MS = 5_000;

export class WatchedFiles {
  readonly #places: WatchedPlaces;
  /** By inode: what its first bytes say, and how many those were. */
  readonly #kinds = new Map<string, { readonly kind: Kind; readonly head: number }>();

  constructor(places: WatchedPlaces) {
    this.#places = places;
  }

  /**
   * @param now milliseconds since 1970 UTC
   * @param problems gets what could not be listed: it may be there the next time
   */
  async look(now: number, problems: RecordingError[]): Promise<WatchedRecording[]> {
    const { paths, stations } = this.#places;
    const found: WatchedRecording[] = [];
    for (const place of await findPlaces(paths, problems, { stations })) {
      found.push(...(await this.#inPlace(place, now, problems)));
    }
    return found;
  }

  async #inPlace(place: Place, now: number, problems: RecordingError[]): Promise<WatchedRecording[]> {
    const files: (WatchedFile & { readonly kind: Kind })[] = [];
    const names = place.kind === 'file' ? [place.path] : walkFolder(place.path, problems, place.within);
    for await (const name of names) {
      // What was moved away meanwhile is not there.
      const stats = await stat(name).catch(() => undefined);
      if (!stats || stats.size === 0) continue;
      const file = { name, bytes: stats.size, modifiedAt: stats.mtimeMs, inode: `${stats.dev}:${stats.ino}` };
      const kind = await this.#kindOf(file, stats, now);
      if (kind && (kind !== 'text' || place.isNamed)) files.push({ ...file, kind });
    }
    return groupChunks(files).map((group) => {
      const { name, kind } = group[0]!;
      return {
        station: place.station ?? (kind === 'zip' ? stationOfArchive(name) : stationOfFile(name)),
        files: group,
        isPlain: group.every((file) => file.kind === 'plain' || file.kind === 'text'),
        isNamed: place.isNamed,
      };
    });
  }

  /** `undefined` where it cannot be told yet. */
  async #kindOf({ name, bytes, inode }: WatchedFile, { mtimeMs }: Stats, now: number): Promise<Kind | undefined> {
    const head = Math.min(bytes, HEAD_BYTES);
    const known = this.#kinds.get(inode);
    if (known && known.head >= head) return known.kind;
    if (head < HEAD_BYTES && now - mtimeMs < YOUNG_MS) return undefined;
    const first = await readHead(name).catch(() => undefined);
    if (!first) return undefined;
    const kind = kindOf(first);
    this.#kinds.set(inode, { kind, head });
    return kind;
  }
}

function kindOf(head: Uint8Array): Kind {
  const container = recognise(head);
  if (container === 'zip') return 'zip';
  if (container === 'gzip' || captureFormat(head)) return 'packed';
  return isText(head) ? 'text' : 'plain';
}

async function readHead(file: string): Promise<Uint8Array> {
  const handle = await open(file, 'r');
  try {
    const head = Buffer.alloc(HEAD_BYTES);
    const { bytesRead } = await handle.read(head, 0, HEAD_BYTES, 0);
    return head.subarray(0, bytesRead);
  } finally {
    await handle.close();
  }
}

/** Whether `inner` is `outer` or lies below it. */
export function isWithin(inner: string, outer: string): boolean {
  const way = path.relative(path.resolve(outer), path.resolve(inner));
  return way === '' || !(way.startsWith('..') || path.isAbsolute(way));
}
