// What was written for each file in earlier runs, and from what: kept in the ledger's folder, so that what did not change is not
// written again, and what a run that was killed had begun is cleared away by the next.
import fs from 'node:fs';
import path from 'node:path';
import type { OutputFolder } from '../files/output-folder.js';
import { realDisk } from '../ledger/disk.js';
import type { FileOutput } from './file-outputs.js';

/** `sizes` of the files written, bytes, in their order. */
type Entry = { readonly signature: string; readonly sizes: readonly number[]; readonly output: FileOutput };

export class OutputsCache {
  readonly #file: string;
  /** Paths that a run under way may have written and not remembered. */
  readonly #begunFile: string;
  readonly #folder: OutputFolder;
  /** By edition. */
  #known: Map<string, Entry>;
  /** Of those, the ones whose files this process has written or seen. */
  readonly #seen = new Set<string>();
  readonly #written: Set<string>;
  readonly #begun: Set<string>;

  constructor(ledgerFolder: string, folder: OutputFolder) {
    this.#file = path.join(ledgerFolder, 'outputs.json');
    this.#begunFile = path.join(ledgerFolder, 'outputs-begun.json');
    this.#folder = folder;
    const known = Object.entries(readJson<Record<string, Entry>>(this.#file) ?? {});
    // What could not be drawn is tried again.
    this.#known = new Map(known.map(([id, entry]) => [id, entry.output.failed ? { ...entry, signature: '' } : entry]));
    this.#begun = new Set(readJson<string[]>(this.#begunFile) ?? []);
    this.#written = new Set([...this.#begun, ...[...this.#known.values()].flatMap(({ output }) => output.written)]);
  }

  /**
   * What was written for this very state, if it is all there still.
   *
   * @param isSeen looking once is enough
   */
  find(id: string, signature: string, isSeen = false): FileOutput | undefined {
    const entry = this.#known.get(id);
    if (entry?.signature !== signature) return undefined;
    return isSeen && this.#seen.has(id) ? entry.output : this.standing(id);
  }

  /** What was written last, whatever has changed since, if it is all there still. */
  standing(id: string): FileOutput | undefined {
    const entry = this.#known.get(id);
    if (!entry) return undefined;
    const { output, sizes } = entry;
    if (output.written.some((relative, i) => this.#folder.sizeOf(relative) !== sizes[i])) return undefined;
    this.#seen.add(id);
    return output;
  }

  /** Before anything is written to these paths: should this run be killed before `save`, the next one knows what to clear away. */
  announce(paths: Iterable<string>): void {
    const before = this.#begun.size;
    for (const relative of paths) this.#begun.add(relative);
    if (this.#begun.size > before) realDisk.replace(this.#begunFile, JSON.stringify([...this.#begun]));
  }

  /** @param signature of what it was made from; empty = it is to be made again */
  keep(id: string, signature: string, output: FileOutput): void {
    const sizes = output.written.map((relative) => this.#folder.sizeOf(relative));
    this.#known.set(id, { signature, sizes, output });
    this.#seen.add(id);
    this.wrote(output.written);
  }

  /** What `clear` removes unless it is current then; what is kept counts as written. */
  wrote(paths: Iterable<string>): void {
    for (const relative of paths) this.#written.add(relative);
  }

  /** Removes what was written and is not of these outputs. */
  clear(outputs: readonly FileOutput[]): void {
    const current = new Set(outputs.flatMap(({ written }) => written));
    this.#folder.removeStale(this.#written, current);
    this.#written.clear();
    for (const relative of current) this.#written.add(relative);
  }

  /**
   * Remembers what was kept of these editions; everything written is on disk before.
   *
   * @param isEnd nothing more is written after it
   */
  async save(ids: Iterable<string>, isEnd: boolean): Promise<void> {
    this.#known = new Map(
      [...ids].flatMap((id) => {
        const entry = this.#known.get(id);
        return entry ? [[id, entry] as const] : [];
      }),
    );
    await this.#folder.sync();
    realDisk.replace(this.#file, JSON.stringify(Object.fromEntries(this.#known)));
    if (!isEnd) return;
    fs.rmSync(this.#begunFile, { force: true });
    this.#begun.clear();
  }
}

/** `undefined` where there is no such file, or a damaged one: it costs only time. */
function readJson<T>(file: string): T | undefined {
  try {
    return JSON.parse(fs.readFileSync(file, 'utf8')) as T;
  } catch {
    return undefined;
  }
}
