// The payloads on disk: one sparse file per content of a file, every segment at its place. Neighbouring segments are gathered
// into one write; few files are open at a time.
import path from 'node:path';
import { GATHER_BYTES, type GatherRoom, gatherRoomIn, makeGatherRoom } from '../bytes/gather-room.js';
import type { Disk } from './disk.js';

const MAX_OPEN = 64;

export class LaneFiles {
  readonly #disk: Disk;
  readonly #folder: string;
  /** Open files in order of last use, oldest first. */
  readonly #open = new Map<string, number>();
  readonly #dirty = new Set<string>();
  /** Being made durable; what is written meanwhile makes them dirty again. */
  readonly #syncing = new Set<string>();
  readonly #created = new Set<string>();
  #folderChanged = false;
  #folderFd: number | null | undefined;
  #folderSyncing = false;
  /** For what lies anywhere; for what lies in a shared memory, in there. */
  readonly #ownRoom = makeGatherRoom();
  #room = this.#ownRoom;
  #roomOf: ArrayBufferLike | undefined;
  readonly #lentRooms = new Set<GatherRoom>();
  #used = 0;
  #file = '';
  #position = 0;

  constructor(disk: Disk, folder: string) {
    this.#disk = disk;
    this.#folder = folder;
  }

  /** Copies `bytes[start, end)` to `position` of `file`; on disk after the next `sync`. */
  write(file: string, position: number, bytes: Uint8Array, start: number, end: number): void {
    const size = end - start;
    if (bytes.buffer !== this.#roomOf) this.#moveTo(bytes.buffer);
    if (file !== this.#file || position !== this.#position + this.#used || this.#used + size > GATHER_BYTES) {
      this.#flush();
      this.#file = file;
      this.#position = position;
      if (size > GATHER_BYTES) {
        this.#disk.write(this.#fdOf(file), bytes.subarray(start, end), position);
        this.#dirty.add(file);
        this.#position += size;
        return;
      }
    }
    this.#room.copy(bytes, start, size, this.#used);
    this.#used += size;
  }

  /** Fills `into` from `position`; returns the bytes read, fewer at the end of the file. */
  read(file: string, position: number, into: Uint8Array): number {
    if (file === this.#file) this.#flush();
    return this.#disk.read(this.#fdOf(file), into, position);
  }

  /** Everything written is on disk when this returns. */
  sync(): void {
    this.#flush();
    for (const file of new Set([...this.#dirty, ...this.#syncing])) this.#disk.sync(this.#fdOf(file));
    this.#dirty.clear();
    this.#syncing.clear();
    if (this.#folderChanged || this.#folderSyncing) this.#disk.syncFolder(this.#folder);
    this.#folderChanged = false;
    this.#folderSyncing = false;
  }

  /** Begins to make everything written durable; not again before `isSynced`. */
  startSync(): void {
    this.#flush();
    if (this.#folderChanged) {
      this.#folderFd ??= this.#disk.openFolder(this.#folder);
      if (this.#folderFd !== null) this.#disk.startSync(this.#folderFd);
      this.#folderSyncing = this.#folderFd !== null;
      this.#folderChanged = false;
    }
    for (const file of this.#dirty) {
      this.#disk.startSync(this.#fdOf(file));
      this.#syncing.add(file);
    }
    this.#dirty.clear();
  }

  /** Whether everything written before the last `startSync` is on disk. */
  isSynced(): boolean {
    for (const file of this.#syncing) {
      const fd = this.#open.get(file);
      // One that was closed was synced.
      if (fd !== undefined && !this.#disk.isSynced(fd)) return false;
      this.#syncing.delete(file);
    }
    if (this.#folderSyncing && !this.#disk.isSynced(this.#folderFd!)) return false;
    this.#folderSyncing = false;
    return true;
  }

  close(): void {
    for (const room of this.#lentRooms) room.owner = undefined;
    for (const fd of this.#open.values()) this.#disk.close(fd);
    this.#open.clear();
    if (typeof this.#folderFd === 'number') this.#disk.close(this.#folderFd);
    this.#folderFd = undefined;
  }

  /** Gathers from now on where it is quick for what lies in `buffer`. */
  #moveTo(buffer: ArrayBufferLike): void {
    this.#flush();
    this.#roomOf = buffer;
    const lent = gatherRoomIn(buffer);
    const isFree = lent !== undefined && (lent.owner === undefined || lent.owner === this);
    this.#room = isFree ? lent : this.#ownRoom;
    if (!isFree) return;
    lent.owner = this;
    this.#lentRooms.add(lent);
  }

  #flush(): void {
    if (this.#used === 0) return;
    this.#disk.write(this.#fdOf(this.#file), this.#room.bytes.subarray(0, this.#used), this.#position);
    this.#dirty.add(this.#file);
    this.#position += this.#used;
    this.#used = 0;
  }

  #fdOf(file: string): number {
    let fd = this.#open.get(file);
    if (fd === undefined) {
      if (this.#open.size >= MAX_OPEN) this.#closeOldest();
      fd = this.#disk.open(path.join(this.#folder, file));
      if (!this.#created.has(file)) {
        this.#created.add(file);
        this.#folderChanged = true;
      }
    } else {
      this.#open.delete(file);
    }
    this.#open.set(file, fd);
    return fd;
  }

  #closeOldest(): void {
    const [file, fd] = this.#open.entries().next().value!;
    if (this.#dirty.has(file) || this.#syncing.has(file)) this.#disk.sync(fd);
    this.#dirty.delete(file);
    this.#disk.close(fd);
    this.#open.delete(file);
  }
}
