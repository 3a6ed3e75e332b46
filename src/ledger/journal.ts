// The journal of unique segments: append-only records, each with its own CRC-32, written after the data they speak of is synced.
// Record: magic "PWSJ", body length u32, CRC-32/ISO-HDLC of the body u32, body. All numbers big endian.
// Body: kind u8, file u48, segments u48, lane u8, key u48; of a batch also step u32, length of its last payload u32, hashes u32 each.
import path from 'node:path';
import { crc32 } from '../bytes/crc.js';
import type { Disk } from './disk.js';

const MAGIC = Buffer.from('PWSJ');
const HEAD = 12;
const BATCH = 1;
const LOST = 2;
const LOST_BYTES = 20;
const BATCH_HEAD = 28;
/** Segments in one record; bounds the memory that reading takes. */
export const MAX_BATCH: number = 1 << 16;
const MAX_RECORD = HEAD + BATCH_HEAD + 4 * MAX_BATCH;
const WINDOW = 4 << 20;

/** Names one content of one file: the file number, the segment count that its frames state, and the lane. */
export type LaneName = { readonly file: number; readonly segments: number; readonly lane: number };

/** Segments that follow each other; all are of the full payload size but, perhaps, the last. */
export type SegmentBatch = LaneName & {
  readonly key: number;
  readonly step: number;
  readonly lastLength: number;
  /** The low 32 bits of the XXH64 of each payload; at most `MAX_BATCH`. */
  readonly hashes: ArrayLike<number>;
};

export type JournalEntry =
  | ({ readonly kind: 'segments' } & SegmentBatch)
  /** The stored data no longer match their hash: the segment counts as not received. */
  | ({ readonly kind: 'lost'; readonly key: number } & LaneName);

/** What was wrong with a journal, in bytes; both 0 for a clean one. */
export type JournalDamage = {
  /** After the last sound record, cut off. */
  readonly tornTail: number;
  /** Between sound records, taken out. */
  readonly skipped: number;
};

export function encodeEntry(entry: JournalEntry): Buffer {
  const batch = entry.kind === 'segments';
  const record = Buffer.alloc(HEAD + (batch ? BATCH_HEAD + 4 * entry.hashes.length : LOST_BYTES));
  const body = record.subarray(HEAD);
  body.writeUInt8(batch ? BATCH : LOST, 0);
  body.writeUIntBE(entry.file, 1, 6);
  body.writeUIntBE(entry.segments, 7, 6);
  body.writeUInt8(entry.lane, 13);
  body.writeUIntBE(entry.key, 14, 6);
  if (batch) {
    body.writeUInt32BE(entry.step, 20);
    body.writeUInt32BE(entry.lastLength, 24);
    const { hashes } = entry;
    const view = new DataView(body.buffer, body.byteOffset + BATCH_HEAD);
    for (let i = 0; i < hashes.length; i++) view.setUint32(4 * i, hashes[i]!);
  }
  MAGIC.copy(record);
  record.writeUInt32BE(body.length, 4);
  record.writeUInt32BE(crc32(body, 0, body.length), 8);
  return record;
}

/** The size of the sound record at `at`, 0 where there is none. */
function soundRecord(bytes: Buffer, at: number, end: number): number {
  if (at + HEAD + LOST_BYTES > end || bytes.readUInt32BE(at) !== MAGIC.readUInt32BE(0)) return 0;
  const size = HEAD + bytes.readUInt32BE(at + 4);
  if (size < HEAD + LOST_BYTES || size > MAX_RECORD || at + size > end) return 0;
  return crc32(bytes, at + HEAD, at + size) === bytes.readUInt32BE(at + 8) ? size : 0;
}

/** `null` where the kind is none of ours. */
function decodeBody(body: Buffer): JournalEntry | null {
  const kind = body.readUInt8(0);
  const name = { file: body.readUIntBE(1, 6), segments: body.readUIntBE(7, 6), lane: body.readUInt8(13) };
  const key = body.readUIntBE(14, 6);
  if (kind === LOST && body.length === LOST_BYTES) return { kind: 'lost', ...name, key };
  if (kind !== BATCH || body.length < BATCH_HEAD || body.length % 4 !== 0) return null;
  const hashes: number[] = [];
  for (let at = BATCH_HEAD; at < body.length; at += 4) hashes.push(body.readUInt32BE(at));
  return { kind: 'segments', ...name, key, step: body.readUInt32BE(20), lastLength: body.readUInt32BE(24), hashes };
}

export class Journal {
  readonly #disk: Disk;
  readonly #fd: number;
  #end: number;
  #isDirty = false;

  /** Reads every entry into `onEntry`, takes out what is damaged, and stands ready to append. */
  static open(
    disk: Disk,
    file: string,
    onEntry: (entry: JournalEntry) => void,
  ): { journal: Journal; damage: JournalDamage } {
    let fd = disk.open(file);
    const { sound, size } = scan(disk, fd, onEntry);
    const good = sound.at(-1) ?? 0;
    const damage = { tornTail: size - good, skipped: good };
    for (let i = 0; i < sound.length; i += 2) damage.skipped -= sound[i + 1]! - sound[i]!;
    if (damage.skipped > 0) {
      const content = readRanges(disk, fd, sound);
      disk.close(fd);
      disk.replace(file, content);
      fd = disk.open(file);
    } else if (damage.tornTail > 0) {
      disk.truncate(fd, good);
    }
    if (size === 0) disk.syncFolder(path.dirname(file));
    return { journal: new Journal(disk, fd, good - damage.skipped), damage };
  }

  private constructor(disk: Disk, fd: number, end: number) {
    this.#disk = disk;
    this.#fd = fd;
    this.#end = end;
  }

  /** Appends; on disk after the next `sync`. */
  append(entries: readonly JournalEntry[]): void {
    if (entries.length === 0) return;
    const bytes = Buffer.concat(entries.map(encodeEntry));
    this.#disk.write(this.#fd, bytes, this.#end);
    this.#end += bytes.length;
    this.#isDirty = true;
  }

  sync(): void {
    if (this.#isDirty) this.#disk.sync(this.#fd);
    this.#isDirty = false;
  }

  /** Begins to make what was appended durable. */
  startSync(): void {
    this.#disk.startSync(this.#fd);
  }

  /** Whether what was appended before the last `startSync` is on disk. */
  isSynced(): boolean {
    return this.#disk.isSynced(this.#fd);
  }

  close(): void {
    this.#disk.close(this.#fd);
  }
}

/** Hands over every entry; returns where sound records lie, as half-open ranges of bytes, and the size of the file. */
function scan(disk: Disk, fd: number, onEntry: (entry: JournalEntry) => void): { sound: number[]; size: number } {
  const window = Buffer.allocUnsafe(WINDOW);
  const sound: number[] = [];
  /** Position in the file of the window's first byte, and how much of the window is filled. */
  let origin = 0;
  let filled = disk.read(fd, window, 0);
  let at = 0;
  for (let ended = filled < WINDOW; ; ) {
    if (filled - at < MAX_RECORD && !ended) {
      window.copyWithin(0, at, filled);
      origin += at;
      filled -= at;
      at = 0;
      filled += disk.read(fd, window.subarray(filled), origin + filled);
      ended = filled < WINDOW;
    }
    if (at >= filled) return { sound, size: origin + filled };
    const size = soundRecord(window, at, filled);
    if (size > 0) {
      const entry = decodeBody(window.subarray(at + HEAD, at + size));
      if (entry) onEntry(entry);
      if (sound.at(-1) === origin + at) sound.pop();
      else sound.push(origin + at);
      sound.push(origin + at + size);
      at += size;
    } else {
      const next = window.subarray(0, filled).indexOf(MAGIC, at + 1);
      // A magic may lie across the window's end.
      at = next >= 0 ? next : ended ? filled : Math.max(at + 1, filled - MAGIC.length + 1);
    }
  }
}

function readRanges(disk: Disk, fd: number, ranges: readonly number[]): Buffer {
  const parts: Buffer[] = [];
  for (let i = 0; i < ranges.length; i += 2) {
    const part = Buffer.alloc(ranges[i + 1]! - ranges[i]!);
    disk.read(fd, part, ranges[i]!);
    parts.push(part);
  }
  return Buffer.concat(parts);
}
