// What was written for each file in earlier runs, and from what: kept in the ledger's folder, so that what did not change is not
// written again.
import fs from 'node:fs';
import path from 'node:path';
import type { OutputFolder } from '../files/output-folder.js';
import { realDisk } from '../ledger/disk.js';
import type { FileOutput } from './file-outputs.js';

/** `sizes` of the files written, bytes, in their order. */
type Entry = { readonly signature: string; readonly sizes: readonly number[]; readonly output: FileOutput };

export class OutputsCache {
  readonly #file: string;
  readonly #folder: OutputFolder;
  readonly #known: Record<string, Entry>;
  readonly #next: Record<string, Entry> = {};

  constructor(ledgerFolder: string, folder: OutputFolder) {
    this.#file = path.join(ledgerFolder, 'outputs.json');
    this.#folder = folder;
    this.#known = readEntries(this.#file);
  }

  /** What was written for this very state, if it is all there still. */
  find(id: string, signature: string): FileOutput | undefined {
    const entry = this.#known[id];
    if (entry?.signature !== signature) return undefined;
    const { output, sizes } = entry;
    return output.written.every((relative, i) => this.#folder.sizeOf(relative) === sizes[i]) ? output : undefined;
  }

  /** What was written last, whatever has changed since, if it is all there still. */
  standing(id: string): FileOutput | undefined {
    const entry = this.#known[id];
    return entry && this.find(id, entry.signature);
  }

  /** What was written last stands for now. */
  leave(id: string): void {
    const entry = this.#known[id];
    if (entry) this.#next[id] = entry;
  }

  /**
   * Remembers what may be written under names that are new: should this run be killed before it is done, the next one knows what to
   * clear away.
   *
   * @param files with each name all that may be written under it
   */
  announce(files: readonly (readonly [name: string, written: readonly string[]])[]): void {
    const known = new Set(Object.values(this.#known).map(({ output }) => output.coverage.name));
    const added = files.filter(([name]) => !known.has(name));
    if (added.length === 0) return;
    for (const [name, written] of added) {
      const output = { coverage: { name }, written } as unknown as FileOutput;
      // No edition has such an id.
      this.#known[`/${name}`] = { signature: '', sizes: [], output };
    }
    realDisk.replace(this.#file, JSON.stringify(this.#known));
  }

  keep(id: string, signature: string, output: FileOutput): void {
    const sizes = output.written.map((relative) => this.#folder.sizeOf(relative));
    this.#next[id] = { signature, sizes, output };
  }

  /** Removes what only earlier runs wrote, and remembers this one; everything written is on disk before. */
  async save(): Promise<void> {
    const written = (entries: Readonly<Record<string, Entry>>): string[] =>
      Object.values(entries).flatMap(({ output }) => output.written);
    this.#folder.removeStale(written(this.#known), new Set(written(this.#next)));
    await this.#folder.sync();
    realDisk.replace(this.#file, JSON.stringify(this.#next));
  }
}

function readEntries(file: string): Record<string, Entry> {
  try {
    return JSON.parse(fs.readFileSync(file, 'utf8')) as Record<string, Entry>;
  } catch {
    return {};
  }
}
