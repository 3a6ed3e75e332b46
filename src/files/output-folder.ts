// The output folder: every file through a temporary name and a rename, nothing outside the folder, nothing left over from
// an earlier state (a picture that was partial yesterday and is whole today stands only under files/).
import fs from 'node:fs';
import path from 'node:path';
import { realDisk } from '../ledger/disk.js';

const OWN_FOLDERS = ['files', 'partial', 'salvage'] as const;
const UNFINISHED = 'unfinished.part';
const MOST_SYNCING = 128;

export class OutputFolder {
  readonly root: string;
  /** Under way, or failed. */
  readonly #syncing = new Set<Promise<void>>();

  constructor(root: string) {
    this.root = path.resolve(root);
    for (const folder of OWN_FOLDERS) fs.mkdirSync(path.join(this.root, folder), { recursive: true });
  }

  /** The absolute path of `relative`, which must stay inside. */
  resolve(relative: string): string {
    const absolute = path.resolve(this.root, relative);
    if (!absolute.startsWith(this.root + path.sep)) throw new RangeError(`${relative} would leave the output folder`);
    return absolute;
  }

  /** Writes `relative` with what `emit` hands over, through a temporary name; it is on disk after `sync`. */
  write(relative: string, emit: (write: (bytes: Uint8Array) => void) => void): void {
    const target = this.resolve(relative);
    // Beside the folders, not in them: no downlinked name can be the same.
    const temporary = path.join(this.root, UNFINISHED);
    const fd = fs.openSync(temporary, 'w');
    try {
      emit((bytes) => {
        for (let done = 0; done < bytes.length; ) done += fs.writeSync(fd, bytes, done);
      });
      fs.renameSync(temporary, target);
    } catch (error) {
      fs.closeSync(fd);
      fs.rmSync(temporary, { force: true });
      throw error;
    }
    this.#syncInBackground(fd);
  }

  writeText(relative: string, text: string): void {
    this.write(relative, (write) => write(Buffer.from(text)));
  }

  /** Everything written, and its names, are on disk when this is done. @throws the system's error */
  async sync(): Promise<void> {
    await Promise.all(this.#syncing);
    this.#syncing.clear();
    for (const folder of OWN_FOLDERS) realDisk.syncFolder(path.join(this.root, folder));
  }

  /** Size of the file `relative`, bytes; -1 where there is none. */
  sizeOf(relative: string): number {
    const found = fs.statSync(this.resolve(relative), { throwIfNoEntry: false });
    return found?.isFile() ? found.size : -1;
  }

  /** The disk is at work while the next file is put together; few files stay open for that. */
  #syncInBackground(fd: number): void {
    if (this.#syncing.size >= MOST_SYNCING) {
      fs.fdatasyncSync(fd);
      fs.closeSync(fd);
      return;
    }
    const syncing = new Promise<void>((done, fail) => {
      fs.fdatasync(fd, (error) => {
        fs.closeSync(fd);
        if (error) fail(error);
        else {
          this.#syncing.delete(syncing);
          done();
        }
      });
    });
    // Whoever waits in `sync` is told.
    syncing.catch(() => undefined);
    this.#syncing.add(syncing);
  }

  /** Removes `written` files of an earlier run that are not among `current`; files that are not ours stay. */
  removeStale(written: Iterable<string>, current: ReadonlySet<string>): void {
    for (const relative of written) if (!current.has(relative)) fs.rmSync(this.resolve(relative), { force: true });
  }
}
