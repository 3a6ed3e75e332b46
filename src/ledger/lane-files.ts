// The payloads on disk: one sparse file per content of a file, every segment at its place. Neighbouring segments are gathered
// into one write; few files are open at a time. Where much is written, a thread of its own does it.
import path from 'node:path';
import { GATHER_BYTES, type GatherRooms, gatherRoomsIn, makeGatherRoom } from '../bytes/gather-room.js';
import { EVENLY, type Spread } from '../bytes/spread.js';
import type { Disk } from './disk.js';
import type { Writer } from './write-behind.js';

const MAX_OPEN = 64;
/** Rooms in use. */
type Rooms = {
  readonly from: GatherRooms;
  /** The one being filled, and from where on it is free or holds what is being gathered. */
  room: number;
  start: number;
  /** By room: the writer's last write out of it. */
  readonly writes: number[];
};

export class LaneFiles {
  readonly #disk: Disk;
  readonly #folder: string;
  readonly #bytesWorthAWriter: number;
  /** Open files in order of last use, oldest first. */
  readonly #open = new Map<string, number>();
  readonly #dirty = new Set<string>();
  /** Being made durable; what is written meanwhile makes them dirty again. */
  readonly #syncing = new Set<string>();
  /** Of those: as soon as what was to be synced is written. */
  readonly #toSync = new Set<string>();
  readonly #created = new Set<string>();
  #folderChanged = false;
  #folderFd: number | null | undefined;
  #folderSyncing = false;
  /** For what lies anywhere; for what lies in a shared memory, in there. */
  readonly #ownRooms: Rooms = { from: makeGatherRoom(), room: 0, start: 0, writes: [] };
  readonly #lentRooms = new Map<GatherRooms, Rooms>();
  /** A piece that comes alone. */
  readonly #single: Spread = { ...EVENLY, start: 0, stride: 0 };
  #rooms = this.#ownRooms;
  #roomsOf: ArrayBufferLike | undefined;
  #used = 0;
  #file = '';
  #position = 0;
  /** `null` where there is none. */
  #writer: Writer | null | undefined;
  /** The writer's last write, and the last before `startSync`. */
  #lastWrite = 0;
  #lastToSync = 0;
  /** Written in all. */
  #bytes = 0;

  /** @param bytesWorthAWriter after so many bytes the disk is asked for a writer; default: never */
  constructor(disk: Disk, folder: string, bytesWorthAWriter: number = Number.POSITIVE_INFINITY) {
    this.#disk = disk;
    this.#folder = folder;
    this.#bytesWorthAWriter = bytesWorthAWriter;
  }

  /** Copies `bytes[start, end)` to `position` of `file`; on disk after the next `sync`. */
  write(file: string, position: number, bytes: Uint8Array, start: number, end: number): void {
    const size = end - start;
    if (size <= GATHER_BYTES) {
      this.#single.start = start;
      this.writeMany(file, position, bytes, this.#single, 0, size, 1);
      return;
    }
    this.#flush();
    this.#disk.write(this.#fdOf(file), bytes.subarray(start, end), position);
    this.#dirty.add(file);
  }

  /**
   * Copies `count` pieces of `size` bytes, at most `GATHER_BYTES`, from the one numbered `first` on, to `position` of `file`, one
   * after the other.
   */
  writeMany(
    file: string,
    position: number,
    bytes: Uint8Array,
    pieces: Spread,
    first: number,
    size: number,
    count: number,
  ): void {
    if (bytes.buffer !== this.#roomsOf) this.#moveTo(bytes.buffer);
    for (let done = 0; done < count; ) {
      const to = position + done * size;
      const free = GATHER_BYTES - this.#rooms.start - this.#used;
      if (file !== this.#file || to !== this.#position + this.#used || free < size) {
        this.#flush();
        this.#file = file;
        this.#position = to;
        if (this.#rooms.start + size > GATHER_BYTES) this.#nextRoom();
      }
      const { from, room, start: roomStart } = this.#rooms;
      const at = roomStart + this.#used;
      const now = Math.min(count - done, Math.floor((GATHER_BYTES - at) / size));
      from.gather(bytes, pieces, first + done, size, now, room, at);
      this.#used += now * size;
      done += now;
    }
  }

  /** Fills `into` from `position`; returns the bytes read, fewer at the end of the file. */
  read(file: string, position: number, into: Uint8Array): number {
    if (file === this.#file) this.#flush();
    this.#waitForWrites();
    return this.#disk.read(this.#fdOf(file), into, position);
  }

  /** Everything written is on disk when this returns. */
  sync(): void {
    this.#flush();
    this.#waitForWrites();
    for (const file of new Set([...this.#dirty, ...this.#syncing])) this.#disk.sync(this.#fdOf(file));
    this.#dirty.clear();
    this.#syncing.clear();
    this.#toSync.clear();
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
      this.#syncing.add(file);
      this.#toSync.add(file);
    }
    this.#dirty.clear();
    this.#lastToSync = this.#lastWrite;
    this.#syncWritten();
  }

  /** Whether everything written before the last `startSync` is on disk. */
  isSynced(): boolean {
    if (!this.#syncWritten()) return false;
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
    try {
      // Their files' numbers are soon other files'.
      this.#waitForWrites();
    } catch {
      // Nothing that speaks of these bytes was made durable.
    }
    this.#writer?.close();
    for (const rooms of this.#lentRooms.keys()) rooms.owner = undefined;
    for (const fd of this.#open.values()) this.#disk.close(fd);
    this.#open.clear();
    if (typeof this.#folderFd === 'number') this.#disk.close(this.#folderFd);
    this.#folderFd = undefined;
  }

  /** Begins to sync what waits for it, once it is written; whether it is. */
  #syncWritten(): boolean {
    if (this.#writer && !this.#writer.isDone(this.#lastToSync)) return false;
    for (const file of this.#toSync) this.#disk.startSync(this.#fdOf(file));
    this.#toSync.clear();
    return true;
  }

  #waitForWrites(): void {
    this.#writer?.wait(this.#lastWrite);
  }

  /** Gathers from now on where it is quick for what lies in `buffer`. */
  #moveTo(buffer: ArrayBufferLike): void {
    this.#flush();
    this.#roomsOf = buffer;
    const from = gatherRoomsIn(buffer);
    const isFree = from !== undefined && (from.owner === undefined || from.owner === this);
    if (!isFree) {
      this.#rooms = this.#ownRooms;
      return;
    }
    from.owner = this;
    this.#rooms = this.#lentRooms.get(from) ?? { from, room: 0, start: 0, writes: [] };
    this.#lentRooms.set(from, this.#rooms);
  }

  #flush(): void {
    const size = this.#used;
    if (size === 0) return;
    this.#used = 0;
    const fd = this.#fdOf(this.#file);
    const { from, room, start, writes } = this.#rooms;
    const bytes = from.rooms[room]!.subarray(start, start + size);
    this.#dirty.add(this.#file);
    if (from.isShared && this.#hasWriter(size)) {
      this.#lastWrite = this.#writer!.write(fd, bytes, this.#position);
      writes[room] = this.#lastWrite;
      this.#rooms.start += size;
    } else {
      this.#disk.write(fd, bytes, this.#position);
    }
    this.#position += size;
  }

  #nextRoom(): void {
    const rooms = this.#rooms;
    rooms.room = (rooms.room + 1) % rooms.from.rooms.length;
    rooms.start = 0;
    const write = rooms.writes[rooms.room];
    if (write !== undefined) this.#writer!.wait(write);
  }

  /** Whether a writer is ready for what comes to `size` more bytes. */
  #hasWriter(size: number): boolean {
    this.#bytes += size;
    if (this.#bytes < this.#bytesWorthAWriter) return false;
    if (this.#writer === undefined) this.#writer = this.#disk.openWriter?.() ?? null;
    return this.#writer?.isReady === true;
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
    this.#waitForWrites();
    const [file, fd] = this.#open.entries().next().value!;
    if (this.#dirty.has(file) || this.#syncing.has(file)) this.#disk.sync(fd);
    this.#dirty.delete(file);
    this.#toSync.delete(file);
    this.#disk.close(fd);
    this.#open.delete(file);
  }
}
