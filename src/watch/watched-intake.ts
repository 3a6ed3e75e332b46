// Takes in what the watched places hold, round by round: new bytes of plain recordings at once, everything else when its files have
// settled. What comes of it goes straight into the ledger; what growing recordings heard is shown there until it is written.
import { takeBlock } from '../bytes/fast-memory.js';
import { RecordingError } from '../errors.js';
import type { IntakeBook } from './growing-recording.js';
import { PackedRecording } from './packed-recording.js';
import { Tail } from './tail.js';
import type { WatchedFiles, WatchedRecording } from './watched-files.js';

const BUFFER_BYTES = 1 << 20;
/** Archives and captures whose files have not changed for so long are complete. */
const SETTLED_MS = 5_000;

export type IntakeRound = {
  /** What the ledger or a recording holds has changed. */
  readonly hasChanged: boolean;
  /** There was more than the time allowed for. */
  readonly hasMore: boolean;
};

type Taken = Tail | PackedRecording;

export class WatchedIntake {
  readonly #files: WatchedFiles;
  readonly #book: IntakeBook;
  readonly #quietMs: number;
  readonly #buffer = takeBlock(BUFFER_BYTES);
  /** By each of their files. */
  #known = new Map<string, Taken>();
  /** What was wrong with finished recordings, by their first file. */
  readonly #wrong = new Map<string, readonly RecordingError[]>();
  #unread: readonly RecordingError[] = [];

  /** @param quietMs a plain recording that has not grown for so long is finished */
  constructor(files: WatchedFiles, book: IntakeBook, quietMs: number) {
    this.#files = files;
    this.#book = book;
    this.#quietMs = quietMs;
  }

  /**
   * Looks, and takes in what is new.
   *
   * @param allowedMs time after which the rest waits for the next round; one piece is always taken
   * @param isLast nothing will come any more: everything is taken and finished
   * @throws what is not a RecordingError
   */
  async round(allowedMs: number, isLast = false): Promise<IntakeRound> {
    const began = performance.now();
    const now = Date.now();
    const problems: RecordingError[] = [];
    const found = await this.#files.look(now, problems);
    const before = new Set(this.#known.values());
    const current = this.#match(found, now);
    let hasChanged = false;
    for (const gone of before) {
      if (!current.has(gone)) hasChanged = this.#finish(gone) || hasChanged;
    }
    let pieces = 0;
    const isOver = (): boolean => !isLast && pieces++ > current.size && performance.now() - began > allowedMs;
    for (const [taken, watched] of current) {
      try {
        if (taken instanceof Tail) hasChanged = (await taken.take(this.#buffer, isOver)) > 0 || hasChanged;
        else if (!taken.isAtEnd && (isLast || now - taken.changedAt >= SETTLED_MS) && !isOver()) {
          await taken.take();
          this.#wrong.set(watched.files[0]!.name, taken.problems);
          hasChanged = true;
        }
      } catch (error) {
        if (!(error instanceof RecordingError)) throw error;
        // What was moved away since it was looked at.
        if (error.code !== 'not-found') problems.push(error);
      }
      if (taken instanceof Tail && taken.isAtEnd && (isLast || now - taken.grewAt >= this.#quietMs)) {
        hasChanged = this.#finish(taken) || hasChanged;
      }
    }
    this.#unread = problems;
    const hasMore = [...current.keys()].some((taken) => taken instanceof Tail && !taken.isAtEnd);
    return { hasChanged, hasMore };
  }

  /** Shows in the ledger what growing recordings heard so far; until the next round. */
  show(): void {
    const growing = this.#tails().flatMap((tail) => tail.soFar() ?? []);
    this.#book.ledger.showGrowing(
      growing.map(({ heard }) => heard),
      growing.flatMap(({ beginnings }) => [...beginnings]),
    );
  }

  get counts(): { recordings: number; growing: number; waiting: number } {
    const all = [...new Set(this.#known.values())];
    return {
      recordings: all.length,
      growing: this.#tails().filter((tail) => !tail.isFinished).length,
      waiting: all.filter((taken) => taken instanceof PackedRecording && !taken.isAtEnd).length,
    };
  }

  /** What could not be read, or held nothing of this mission, as far as that is known. */
  get problems(): RecordingError[] {
    return [...this.#unread, ...[...this.#wrong.values()].flat()];
  }

  #tails(): Tail[] {
    return [...new Set(this.#known.values())].filter((taken) => taken instanceof Tail);
  }

  /** Which recordings those are that were found: the ones known by their files, or new ones. */
  #match(found: readonly WatchedRecording[], now: number): Map<Taken, WatchedRecording> {
    const current = new Map<Taken, WatchedRecording>();
    const known = new Map<string, Taken>();
    for (const watched of found) {
      const kind = watched.isPlain ? Tail : PackedRecording;
      const earlier = watched.files
        .map(({ name }) => this.#known.get(name))
        .find((taken) => taken instanceof kind && !current.has(taken));
      if (earlier instanceof Tail) earlier.follow(watched, now);
      else earlier?.follow(watched);
      const taken =
        earlier ?? (watched.isPlain ? new Tail(this.#book, watched, now) : new PackedRecording(this.#book, watched));
      current.set(taken, watched);
      for (const { name } of watched.files) known.set(name, taken);
    }
    this.#known = known;
    return current;
  }

  /** @returns whether there was something to finish */
  #finish(taken: Taken): boolean {
    if (!(taken instanceof Tail) || taken.isFinished) return false;
    const problem = taken.finish();
    this.#wrong.set(taken.firstFile, problem ? [problem] : []);
    return true;
  }
}
