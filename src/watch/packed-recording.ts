// Recordings in archives, gzip files and captures: they are taken in whole, by the ordinary way, once their files have not changed
// for a while; and again when they change after that.
import { RecordingError } from '../errors.js';
import { openTogether } from '../intake/open-recordings.js';
import type { Block } from '../intake/source.js';
import { captureOf, isTold } from '../recover.js';
import { firstNameOf, GrowingRecording, type IntakeBook } from './growing-recording.js';
import type { WatchedRecording } from './watched-files.js';

export class PackedRecording {
  readonly #book: IntakeBook;
  #watched: WatchedRecording;
  #taken = '';
  /** XXH64 of what was written of it. */
  #written: string[] = [];
  problems: readonly RecordingError[] = [];

  constructor(book: IntakeBook, watched: WatchedRecording) {
    this.#book = book;
    this.#watched = watched;
  }

  follow(watched: WatchedRecording): void {
    this.#watched = watched;
  }

  get isAtEnd(): boolean {
    return this.#taken === stateOf(this.#watched);
  }

  /** When its files changed last, ms since 1970 UTC. */
  get changedAt(): number {
    return Math.max(...this.#watched.files.map(({ modifiedAt }) => modifiedAt));
  }

  /** Takes it in and writes what it heard, in the place of what it had heard before its files changed. */
  async take(): Promise<void> {
    const { files, station, isNamed } = this.#watched;
    const state = stateOf(this.#watched);
    const { ledger, finished } = this.#book;
    const paths = files.map(({ name }) => name);
    const { recordings, problems } = await openTogether(paths, station, isNamed);
    for (const xxh64 of this.#written) finished.delete(xxh64);
    const failed = [...problems];
    const heard = new Set<string>();
    const written: string[] = [];
    for (const recording of recordings) {
      const growing = new GrowingRecording(this.#book, station, [firstNameOf(recording.name)]);
      const problem = growing.finish(recording, await takeAll(growing, recording.blocks()));
      if (problem && !isTold(problem, failed)) failed.push(problem);
      if (growing.xxh64 === undefined) continue;
      heard.add(captureOf(recording.name));
      written.push(growing.xxh64);
    }
    ledger.removeReceptions(this.#written.filter((xxh64) => !finished.has(xxh64)));
    this.#written = written;
    this.problems = failed.filter(({ code, file }) => !(code === 'no-frames' && heard.has(captureOf(file))));
    this.#taken = state;
  }
}

/** @returns why it could not be read on */
async function takeAll(growing: GrowingRecording, blocks: AsyncIterable<Block>): Promise<RecordingError | undefined> {
  try {
    for await (const { bytes, gap } of blocks) growing.push(bytes, gap === true);
  } catch (error) {
    if (error instanceof RecordingError) return error;
    throw error;
  }
  return undefined;
}

/** Changes whenever one of the files does. */
function stateOf({ station, files }: WatchedRecording): string {
  return JSON.stringify([station, files]);
}
