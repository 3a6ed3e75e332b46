// A disk that fails at its n-th operation, and then loses, as a power cut would, what was not synced: file contents without a sync
// of the file, names without a sync of the folder. A sync costs nothing here. Model: what POSIX promises of fsync and rename, no more.
import fs from 'node:fs';
import path from 'node:path';
import type { Disk } from '../../src/ledger/disk.js';
import type { Writer } from '../../src/ledger/write-behind.js';
import type { Random } from '../../src/rehearsal/random.js';

export class PowerCut extends Error {}

/**
 * What becomes of unsynced writes: all stay (the process alone was killed), all are lost, some pages of 4 KiB reach the disk, some
 * writes do and others before them do not, or the file has its length but zeros in it.
 */
export const FATES = ['kept', 'lost', 'pages', 'reordered', 'zeros'] as const;
export type Fate = (typeof FATES)[number];

type Change =
  | { readonly position: number; readonly bytes: Buffer }
  | { readonly length: number }
  /** The name now means another file: the change is whole or not at all. */
  | { readonly replaced: Buffer };
type Shadow = { synced: Buffer; changes: Change[] };

const PAGE = 4096;

export class ShadowDisk implements Disk {
  operations = 0;
  /** What was done, one word each. */
  readonly log: string[] = [];
  readonly #root: string;
  readonly #failAt: number;
  readonly #files = new Map<string, Shadow>();
  readonly #opened = new Map<number, string>();
  readonly #startedFolders = new Map<number, readonly string[]>();
  readonly #started = new Map<number, { readonly content: Buffer; readonly changes: number }>();
  /** Names that a sync of their folder made last. */
  readonly #lasting = new Set<string>();

  /** @param root everything that is there now lasts; @param failAt number of the operation that fails, counted from 1 */
  constructor(root: string, failAt: number) {
    this.#root = root;
    this.#failAt = failAt;
    for (const name of namesBelow(root)) this.#lasting.add(name);
  }

  open(file: string): number {
    this.#step(`open ${path.basename(file)}`);
    const fd = fs.openSync(file, fs.constants.O_RDWR | fs.constants.O_CREAT, 0o644);
    this.#opened.set(fd, file);
    if (!this.#files.has(file)) this.#files.set(file, { synced: fs.readFileSync(file), changes: [] });
    return fd;
  }

  openFolder(folder: string): number {
    this.#step(`open folder ${path.basename(folder)}`);
    const fd = fs.openSync(folder, 'r');
    this.#opened.set(fd, folder);
    return fd;
  }

  write(fd: number, bytes: Uint8Array, position: number): void {
    // A write that is broken off has written a part.
    const part = this.operations + 1 === this.#failAt ? bytes.subarray(0, Math.floor(bytes.length / 2)) : bytes;
    if (this.operations < this.#failAt) {
      fs.writeSync(fd, part, 0, part.length, position);
      this.#shadow(fd).changes.push({ position, bytes: Buffer.from(part) });
    }
    this.#step('write');
  }

  read(fd: number, bytes: Uint8Array, position: number): number {
    this.#step('read');
    return fs.readSync(fd, bytes, 0, bytes.length, position);
  }

  openWriter(): Writer {
    return new LaggingWriter(this);
  }

  /** What is there now lasts once `isSynced` was asked. */
  startSync(fd: number): void {
    const opened = this.#opened.get(fd)!;
    if (fs.statSync(opened).isDirectory()) {
      this.#startedFolders.set(
        fd,
        fs.readdirSync(opened).map((name) => path.join(opened, name)),
      );
      return;
    }
    const { changes } = this.#shadow(fd);
    this.#started.set(fd, { content: fs.readFileSync(opened), changes: changes.length });
  }

  isSynced(fd: number): boolean {
    this.#step(`background sync ${path.basename(this.#opened.get(fd)!)}`);
    for (const name of this.#startedFolders.get(fd) ?? []) this.#lasting.add(name);
    const started = this.#started.get(fd);
    if (!started) return true;
    const shadow = this.#shadow(fd);
    this.#files.set(this.#opened.get(fd)!, { synced: started.content, changes: shadow.changes.slice(started.changes) });
    this.#started.delete(fd);
    return true;
  }

  sync(fd: number): void {
    this.#step(`sync ${path.basename(this.#opened.get(fd)!)}`);
    this.#started.delete(fd);
    const file = this.#opened.get(fd)!;
    this.#files.set(file, { synced: fs.readFileSync(file), changes: [] });
  }

  truncate(fd: number, length: number): void {
    this.#step('truncate');
    fs.ftruncateSync(fd, length);
    this.#shadow(fd).changes.push({ length });
  }

  close(fd: number): void {
    this.#opened.delete(fd);
    this.#started.delete(fd);
    this.#startedFolders.delete(fd);
    fs.closeSync(fd);
  }

  replace(file: string, content: Uint8Array | string): void {
    const temporary = `${file}.new`;
    this.#step('create');
    fs.writeFileSync(temporary, '');
    this.#step(`fill ${path.basename(file)}`);
    fs.writeFileSync(temporary, content);
    const before = fs.existsSync(file) ? fs.readFileSync(file) : undefined;
    this.#step('rename');
    fs.renameSync(temporary, file);
    // Renamed, but the folder not synced: the old content may come back.
    if (before) this.#files.set(file, { synced: before, changes: [{ replaced: fs.readFileSync(file) }] });
    this.#step('sync of the name');
    this.#files.delete(file);
    this.syncFolder(path.dirname(file));
  }

  syncFolder(folder: string): void {
    this.#step(`sync folder ${path.basename(folder)}`);
    for (const name of fs.readdirSync(folder)) this.#lasting.add(path.join(folder, name));
  }

  /** After the failure: makes the disk what the power cut left. */
  cutPower(fate: Fate, random: Random): void {
    for (const fd of [...this.#opened.keys()]) this.close(fd);
    if (fate === 'kept') return;
    for (const name of namesBelow(this.#root)) {
      const stays = this.#lasting.has(name) || (fate !== 'lost' && random.float() < 0.5);
      if (!stays) fs.rmSync(name, { recursive: true, force: true });
    }
    for (const [file, { synced, changes }] of this.#files) {
      if (fs.existsSync(file) && changes.length > 0) fs.writeFileSync(file, afterCut(synced, changes, fate, random));
    }
  }

  #shadow(fd: number): Shadow {
    return this.#files.get(this.#opened.get(fd)!)!;
  }

  #step(what: string): void {
    this.operations++;
    if (this.operations >= this.#failAt) throw new PowerCut(what);
    this.log.push(what);
  }
}

/** Writes no sooner than it must: one for each time it is asked whether it is done, and what is waited for. */
class LaggingWriter implements Writer {
  readonly isReady = true;
  readonly #disk: Disk;
  readonly #writes: { readonly fd: number; readonly bytes: Uint8Array; readonly position: number }[] = [];
  #done = 0;

  constructor(disk: Disk) {
    this.#disk = disk;
  }

  write(fd: number, bytes: Uint8Array, position: number): number {
    return this.#writes.push({ fd, bytes, position });
  }

  isDone(write: number): boolean {
    if (this.#done < write) this.#writeOne();
    return this.#done >= write;
  }

  wait(write: number): void {
    while (this.#done < write) this.#writeOne();
  }

  close(): void {}

  #writeOne(): void {
    const { fd, bytes, position } = this.#writes[this.#done]!;
    this.#disk.write(fd, bytes, position);
    this.#done++;
  }
}

function namesBelow(root: string): string[] {
  return fs.readdirSync(root, { recursive: true, encoding: 'utf8' }).map((name) => path.join(root, name));
}

function afterCut(synced: Buffer, changes: readonly Change[], fate: Fate, random: Random): Buffer {
  let content = synced;
  for (const change of changes) {
    if (fate === 'lost') continue;
    if ('length' in change || 'replaced' in change) {
      const changed = 'length' in change ? content.subarray(0, change.length) : change.replaced;
      if (random.float() < 0.5) content = changed;
      continue;
    }
    const { position, bytes } = change;
    if (fate === 'reordered' && random.float() < 0.5) continue;
    const grown = Buffer.alloc(Math.max(content.length, position + bytes.length));
    content.copy(grown);
    for (let start = 0; start < bytes.length; ) {
      const end = Math.min(bytes.length, start + PAGE - ((position + start) % PAGE));
      const lost = fate === 'zeros' || (fate === 'pages' && random.float() < 0.5);
      if (!lost) bytes.copy(grown, position + start, start, end);
      start = end;
    }
    content = grown;
  }
  return content;
}
