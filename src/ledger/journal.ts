// The journal of unique segments: append-only records, each with its own CRC-32, written after the data they speak of is synced.
// Record: magic "PWSJ", body length u32, CRC-32/ISO-HDLC of the body u32, body. All numbers big endian.
import fs from 'node:fs';
import { crc32 } from '../bytes/crc.js';
import type { Disk } from './disk.js';

const MAGIC = Buffer.from('PWSJ');
const HEAD = 12;
const BATCH = 1;
const LOST = 2;
const BATCH_HEAD = 29;

/** Names one content of one file: the file number, the segment count that its frames state, and the lane. */
export type LaneName = { readonly file: number; readonly segments: number; readonly lane: number };

/** Segments that follow each other; all are of the full payload size but, perhaps, the last. */
export type SegmentBatch = LaneName & {
  readonly key: number;
  readonly step: number;
  readonly lastLength: number;
  /** CRC-32 of each payload. */
  readonly crcs: readonly number[];
};

export type JournalEntry =
  | ({ readonly kind: 'segments' } & SegmentBatch)
  /** The stored data no longer match their CRC: the segment counts as not received. */
  | ({ readonly kind: 'lost'; readonly key: number } & LaneName);

/** What was wrong with a journal, in bytes; both 0 for a clean one. */
export type JournalDamage = { readonly tornTail: number; readonly skipped: number };

export function encodeEntry(entry: JournalEntry): Buffer {
  const batch = entry.kind === 'segments';
  const body = Buffer.alloc(batch ? BATCH_HEAD + 4 * entry.crcs.length : 18);
  body.writeUInt8(batch ? BATCH : LOST, 0);
  body.writeUIntBE(entry.file, 1, 6);
  body.writeUInt32BE(entry.segments, 7);
  body.writeUInt8(entry.lane, 11);
  body.writeUIntBE(entry.key, 12, 6);
  if (batch) {
    body.writeUInt32BE(entry.step, 18);
    body.writeUInt32BE(entry.lastLength, 22);
    entry.crcs.forEach((crc, i) => body.writeUInt32BE(crc, BATCH_HEAD + 4 * i));
  }
  const record = Buffer.alloc(HEAD + body.length);
  MAGIC.copy(record);
  record.writeUInt32BE(body.length, 4);
  record.writeUInt32BE(crc32(body, 0, body.length), 8);
  body.copy(record, HEAD);
  return record;
}

function decodeBody(body: Buffer): JournalEntry | null {
  const kind = body.readUInt8(0);
  const name = { file: body.readUIntBE(1, 6), segments: body.readUInt32BE(7), lane: body.readUInt8(11) };
  const key = body.readUIntBE(12, 6);
  if (kind === LOST) return { kind: 'lost', ...name, key };
  if (kind !== BATCH) return null;
  const crcs: number[] = [];
  for (let at = BATCH_HEAD; at < body.length; at += 4) crcs.push(body.readUInt32BE(at));
  return { kind: 'segments', ...name, key, step: body.readUInt32BE(18), lastLength: body.readUInt32BE(22), crcs };
}

export class Journal {
  readonly #disk: Disk;
  readonly #fd: number;
  #end: number;

  /** Reads every entry into `onEntry`, cuts a torn tail, and stands ready to append. */
  static open(disk: Disk, file: string, onEntry: (entry: JournalEntry) => void): { journal: Journal; damage: JournalDamage } {
    const bytes = fs.existsSync(file) ? fs.readFileSync(file) : Buffer.alloc(0);
    let at = 0;
    let good = 0;
    let skipped = 0;
    while (at + HEAD <= bytes.length) {
      const size = bytes.readUInt32BE(at + 4);
      const end = at + HEAD + size;
      const sound =
        bytes.subarray(at, at + 4).equals(MAGIC) &&
        size >= 18 &&
        end <= bytes.length &&
        crc32(bytes, at + HEAD, end) === bytes.readUInt32BE(at + 8);
      if (sound) {
        const entry = decodeBody(bytes.subarray(at + HEAD, end));
        if (entry) onEntry(entry);
        skipped += at - good;
        at = end;
        good = end;
      } else {
        const next = bytes.indexOf(MAGIC, at + 1);
        at = next < 0 ? bytes.length : next;
      }
    }
    const fd = disk.open(file);
    const tornTail = bytes.length - good;
    if (tornTail > 0) disk.truncate(fd, good);
    return { journal: new Journal(disk, fd, good), damage: { tornTail, skipped } };
  }

  private constructor(disk: Disk, fd: number, end: number) {
    this.#disk = disk;
    this.#fd = fd;
    this.#end = end;
  }

  /** Appends and syncs: when this returns the entries are on disk. */
  append(entries: readonly JournalEntry[]): void {
    if (entries.length === 0) return;
    const bytes = Buffer.concat(entries.map(encodeEntry));
    this.#disk.write(this.#fd, bytes, this.#end);
    this.#disk.sync(this.#fd);
    this.#end += bytes.length;
  }

  close(): void {
    this.#disk.close(this.#fd);
  }
}
