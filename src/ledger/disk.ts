// The few things the ledger asks of the file system, in one place: what a crash test has to interrupt.
import fs from 'node:fs';
import path from 'node:path';
import { openWriteBehind, type Writer } from './write-behind.js';

/** Behind the name of a file that `replace` is about to put in place. */
export const UNFINISHED = '.new';

/** Synchronous: the ledger has one writer, and a commit must not be overtaken. */
export interface Disk {
  open(file: string): number;
  /** To be synced in the background; `null` on systems that open no folders. */
  openFolder(folder: string): number | null;
  write(fd: number, bytes: Uint8Array, position: number): void;
  read(fd: number, bytes: Uint8Array, position: number): number;
  /** Begins to make durable what was written so far, and returns. */
  startSync(fd: number): void;
  /** Whether what `startSync` began is done. @throws its error */
  isSynced(fd: number): boolean;
  sync(fd: number): void;
  truncate(fd: number, length: number): void;
  close(fd: number): void;
  /** Writes through a temporary name, syncs and renames, then syncs the folder: all of the new content or all of the old. */
  replace(file: string, content: Uint8Array | string): void;
  syncFolder(folder: string): void;
  /** What writes while the caller goes on; `undefined`, like none at all, where every write is to be done when it returns. */
  openWriter?(): Writer | undefined;
}

type Started = { done: boolean; error: Error | null };

/** By file: what the last `startSync` came to. */
const started = new Map<number, Started>();

/** One after the other: the program's few threads for files have to read meanwhile. */
const waiting: { readonly fd: number; readonly own: Started }[] = [];

function syncNext(): void {
  const { fd, own } = waiting[0]!;
  const finish = (error: Error | null): void => {
    Object.assign(own, { done: true, error });
    waiting.shift();
    if (waiting.length > 0) syncNext();
  };
  // A file's new size is what takes the time, so that the rest of what fsync promises costs nothing; of folders it is needed.
  if (started.get(fd) === own) fs.fsync(fd, finish);
  else finish(null);
}

export const realDisk: Disk = {
  openWriter: openWriteBehind,
  open: (file) => fs.openSync(file, fs.constants.O_RDWR | fs.constants.O_CREAT, 0o644),
  openFolder: (folder) => (process.platform === 'win32' ? null : fs.openSync(folder, 'r')),
  write: (fd, bytes, position) => {
    for (let done = 0; done < bytes.length; ) {
      done += fs.writeSync(fd, bytes, done, bytes.length - done, position + done);
    }
  },
  read: (fd, bytes, position) => {
    let done = 0;
    for (let size = -1; done < bytes.length && size !== 0; done += size) {
      size = fs.readSync(fd, bytes, done, bytes.length - done, position + done);
    }
    return done;
  },
  startSync: (fd) => {
    const own: Started = { done: false, error: null };
    started.set(fd, own);
    waiting.push({ fd, own });
    if (waiting.length === 1) syncNext();
  },
  isSynced: (fd) => {
    const { done = true, error } = started.get(fd) ?? {};
    if (error) throw error;
    return done;
  },
  sync: (fd) => {
    // The system tells an error once: it must not get lost here.
    realDisk.isSynced(fd);
    fs.fdatasyncSync(fd);
  },
  truncate: (fd, length) => fs.ftruncateSync(fd, length),
  close: (fd) => {
    started.delete(fd);
    fs.closeSync(fd);
  },
  replace: (file, content) => {
    const temporary = `${file}${UNFINISHED}`;
    const fd = fs.openSync(temporary, 'w');
    try {
      fs.writeFileSync(fd, content);
      fs.fsyncSync(fd);
    } finally {
      fs.closeSync(fd);
    }
    fs.renameSync(temporary, file);
    realDisk.syncFolder(path.dirname(file));
  },
  syncFolder: (folder) => {
    const fd = realDisk.openFolder(folder);
    if (fd === null) return;
    try {
      fs.fsyncSync(fd);
    } finally {
      fs.closeSync(fd);
    }
  },
};
