// Follows one recording that is written as it comes: new bytes of its last file, then the next file. A file that was changed before
// the place read so far, or that comes late between others, makes another recording of it: then everything is read again.
import { open } from 'node:fs/promises';
import path from 'node:path';
import type { RecordingError } from '../errors.js';
import { readFailure } from '../intake/file-source.js';
import { recordingName } from '../intake/join-parts.js';
import { readUtcStamp } from '../intake/utc-stamp.js';
import type { Handed } from '../ledger/keep-reception.js';
import { firstNameOf, GrowingRecording, type IntakeBook } from './growing-recording.js';
import type { WatchedFile, WatchedRecording } from './watched-files.js';

type Followed = WatchedFile & {
  /** Bytes taken in. */
  taken: number;
};

export class Tail {
  readonly #book: IntakeBook;
  #watched: WatchedRecording;
  #files: Followed[] = [];
  #growing: GrowingRecording;
  #isFinished = false;
  /** When bytes came last, ms since 1970 UTC. */
  #grewAt: number;

  constructor(book: IntakeBook, watched: WatchedRecording, now: number) {
    this.#book = book;
    this.#watched = watched;
    this.#growing = this.#begin([]);
    this.#grewAt = now;
  }

  get grewAt(): number {
    return this.#grewAt;
  }

  get firstFile(): string {
    return this.#watched.files[0]!.name;
  }

  get isFinished(): boolean {
    return this.#isFinished;
  }

  /** All bytes that were there when it was last looked at are taken in. */
  get isAtEnd(): boolean {
    return this.#watched.files.every(({ name, bytes }) => this.#takenOf(name) === bytes);
  }

  /** Tells it what the recording consists of now. */
  follow(watched: WatchedRecording, now: number): void {
    const goesOn = this.#goesOn(watched);
    this.#watched = watched;
    if (goesOn) {
      this.#files = this.#files.map((file) => ({ ...file, ...watched.files.find(({ name }) => name === file.name) }));
      if (!this.isAtEnd) this.#grewAt = now;
      // What was finished cannot go on: the layers have let go of what was half received.
      if (!this.#isFinished || this.isAtEnd) return;
    }
    const { xxh64 } = this.#growing;
    this.#growing = this.#begin(xxh64 === undefined ? [] : [xxh64]);
    this.#files = [];
    this.#isFinished = false;
    this.#grewAt = now;
  }

  /**
   * Takes in what is there and was not yet.
   *
   * @param buffer is read into
   * @param isOver asked before each piece
   * @returns bytes taken in
   * @throws RecordingError
   */
  async take(buffer: Uint8Array, isOver: () => boolean): Promise<number> {
    let total = 0;
    for (const watched of this.#watched.files) {
      const { name, bytes } = watched;
      let file = this.#files.find((known) => known.name === name);
      if (!file) {
        file = { ...watched, taken: 0 };
        this.#files.push(file);
      }
      while (file.taken < bytes && !isOver()) {
        const count = await readAt(name, file.taken, buffer.subarray(0, Math.min(buffer.length, bytes - file.taken)));
        // It was cut meanwhile: the next look tells.
        if (count === 0) return total;
        this.#growing.push(buffer.subarray(0, count));
        file.taken += count;
        total += count;
      }
      if (file.taken < bytes) break;
    }
    return total;
  }

  soFar(): ReturnType<GrowingRecording['soFar']> {
    return this.#isFinished ? null : this.#growing.soFar(this.#handed(), this.isAtEnd);
  }

  /** It will not grow, for all that is known: what it heard is written. @returns what was wrong with it */
  finish(): RecordingError | undefined {
    if (this.#isFinished) return undefined;
    this.#isFinished = true;
    return this.#growing.finish(this.#handed());
  }

  #begin(replaced: readonly string[]): GrowingRecording {
    const { station, files } = this.#watched;
    const names = files.map(({ name }) => firstNameOf(name));
    return new GrowingRecording(this.#book, station, names, replaced);
  }

  #handed(): Handed {
    const { station, files } = this.#watched;
    // First files may have been removed since they were taken in.
    const parts = [this.#files[0] ?? files[0]!, files.at(-1)!];
    const isOne = parts[0]!.name === parts[1]!.name;
    const startedAt = readUtcStamp(path.basename(parts[0]!.name));
    return { station, name: recordingName(isOne ? parts.slice(1) : parts), startedAt };
  }

  /** Whether what was taken in is the beginning of `watched`; first files that were removed meanwhile are still part of it. */
  #goesOn({ station, files }: WatchedRecording): boolean {
    if (station !== this.#watched.station) return false;
    const first = this.#files.findIndex(({ name }) => name === files[0]!.name);
    const followed = this.#files.slice(Math.max(0, first));
    if (first < 0 && followed.length > 0) return false;
    return followed.every((file, i) => {
      const now = files[i];
      return now?.name === file.name && isContinued(file, now, i === followed.length - 1);
    });
  }

  #takenOf(name: string): number {
    return this.#files.find((file) => file.name === name)?.taken ?? 0;
  }
}

/**
 * Whether what was taken of a file is the beginning of what it holds now. Written to without having grown, it holds something else;
 * with an older time than before it was only given the time of what it is a copy of.
 */
function isContinued(file: Followed, now: WatchedFile, isLast: boolean): boolean {
  if (now.inode !== file.inode || now.bytes < file.taken || (!isLast && now.bytes > file.taken)) return false;
  return now.bytes > file.bytes || now.modifiedAt <= file.modifiedAt;
}

async function readAt(file: string, at: number, into: Uint8Array): Promise<number> {
  try {
    const handle = await open(file, 'r');
    try {
      return (await handle.read(into, 0, into.length, at)).bytesRead;
    } finally {
      await handle.close();
    }
  } catch (error) {
    throw readFailure(file, at, error);
  }
}
