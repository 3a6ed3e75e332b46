// What the recordings heard, by their identity: in memory, and in a ledger's recordings/ and damaged/. Recordings that still grow
// are shown beside them, in memory alone.
import fs from 'node:fs';
import path from 'node:path';
import type { Disk } from './disk.js';
import { encodeReception, joinReceptions, type Reception, readReceptions } from './reception-file.js';

export class ReceptionBook {
  readonly receptions: Map<string, Reception> = new Map();
  readonly #folder: string;
  readonly #disk: Disk;
  /** Shown and not written. */
  readonly #growing = new Set<string>();
  /** Written and not shown. */
  readonly #aside = new Map<string, Reception>();
  /** Damaged frames of those that are not written yet. */
  readonly #unwritten = new Map<string, Uint8Array>();

  /** @param notes takes what could not be read, in words */
  constructor(folder: string, disk: Disk, notes: string[]) {
    this.#folder = folder;
    this.#disk = disk;
    for (const reception of readReceptions(path.join(folder, 'recordings'), notes)) {
      this.receptions.set(reception.xxh64, reception);
    }
  }

  /** Adds one, or joins it with the one that is there; it is to be written. What `show` showed is withdrawn. */
  add(reception: Reception, damaged: Uint8Array): void {
    this.show([], []);
    const { xxh64 } = reception;
    const known = this.receptions.get(xxh64);
    const joined = known ? joinReceptions(known, reception) : reception;
    this.receptions.set(xxh64, joined);
    const isWritten = known && !this.#unwritten.has(xxh64) && encodeReception(joined) === encodeReception(known);
    if (!isWritten || !this.#hasDamaged(xxh64, damaged)) this.#unwritten.set(xxh64, damaged);
  }

  /** Writes one that was added, unless that was done. */
  write(xxh64: string): void {
    const damaged = this.#unwritten.get(xxh64);
    const reception = this.receptions.get(xxh64) ?? this.#aside.get(xxh64);
    if (!damaged || !reception) return;
    if (!this.#hasDamaged(xxh64, damaged)) this.#disk.replace(this.#damagedFile(xxh64), damaged);
    this.#disk.replace(this.#receptionFile(xxh64), encodeReception(reception));
    this.#unwritten.delete(xxh64);
  }

  /** What `show` showed is withdrawn. */
  remove(hashes: Iterable<string>): void {
    this.show([], []);
    for (const xxh64 of hashes) {
      if (!this.receptions.delete(xxh64)) continue;
      fs.rmSync(this.#receptionFile(xxh64), { force: true });
      fs.rmSync(this.#damagedFile(xxh64), { force: true });
    }
  }

  /**
   * Shows what growing recordings heard so far, in place of all that was shown before. The next `add` or `remove` withdraws it.
   *
   * @param beginnings XXH64 of written ones that are beginnings of these: not shown meanwhile
   */
  show(growing: Iterable<Reception>, beginnings: Iterable<string>): void {
    for (const xxh64 of this.#growing) this.receptions.delete(xxh64);
    this.#growing.clear();
    for (const [xxh64, reception] of this.#aside) this.receptions.set(xxh64, reception);
    this.#aside.clear();
    for (const xxh64 of beginnings) {
      const written = this.receptions.get(xxh64);
      if (written) this.#aside.set(xxh64, written);
      this.receptions.delete(xxh64);
    }
    for (const reception of growing) {
      if (this.receptions.has(reception.xxh64)) continue;
      this.receptions.set(reception.xxh64, reception);
      this.#growing.add(reception.xxh64);
    }
  }

  damagedBytes(xxh64: string): Buffer {
    const unwritten = this.#unwritten.get(xxh64);
    if (unwritten) return Buffer.from(unwritten);
    const file = this.#damagedFile(xxh64);
    return fs.existsSync(file) ? fs.readFileSync(file) : Buffer.alloc(0);
  }

  /** Whether damaged frames are on disk, of which there may be none. */
  #hasDamaged(xxh64: string, damaged: Uint8Array): boolean {
    if (damaged.length === 0) return true;
    return fs.statSync(this.#damagedFile(xxh64), { throwIfNoEntry: false })?.size === damaged.length;
  }

  #receptionFile(xxh64: string): string {
    return path.join(this.#folder, 'recordings', `${xxh64}.json`);
  }

  #damagedFile(xxh64: string): string {
    return path.join(this.#folder, 'damaged', `${xxh64}.bin`);
  }
}
