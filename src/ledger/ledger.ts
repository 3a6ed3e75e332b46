// The merged state on disk, crash-safe: payloads in sparse files, a journal of unique segments, one reception file per recording.
//
//   ledger.json            format and version
//   missions/SHA256.yaml   the mission files it was filled with
//   data/fFILE-SEGMENTS.L  payloads in place (L = lane: 0, and more only where contents conflict)
//   segments.journal       which segments are there, with a hash of each
//   recordings/XXH64.json  what each recording heard; damaged/XXH64.bin its damaged frames
//   lock                   while a process writes it; outputs.json: what was written of it, may be lost without harm
//
// Order of a commit: data synced, then the journal; a recording's reception last. Killed anywhere, what the journal says is on disk.
import path from 'node:path';
import { distanceTo } from '../bytes/spread.js';
import { hashLow } from '../bytes/xxh64.js';
import { LedgerError } from '../errors.js';
import type { Mission } from '../mission/mission.js';
import { type Segmentation, segmentation } from '../mission/segmentation.js';
import { DIRECTIVES, lengthInRun, type SegmentRun, type SegmentStore } from '../segments/run.js';
import { Batches, fullLength, stepFor } from './batches.js';
import { Commits, STEP_BYTES } from './commits.js';
import { type Disk, realDisk } from './disk.js';
import { Journal, type JournalEntry, type LaneName, MAX_BATCH } from './journal.js';
import { LaneFiles } from './lane-files.js';
import { beginLedger, clearUnfinished, hasLedger, makeFolder, makeParts } from './ledger-head.js';
import { keepMission, type MissionText } from './ledger-missions.js';
import { lockLedger } from './lock.js';
import { newTable } from './new-table.js';
import { ReceptionBook } from './reception-book.js';
import type { Reception } from './reception-file.js';
import type { Lane, StoredFile } from './stored-file.js';

/**
 * Contents kept of one segment: the first that come. Further ones are counted in the report's notes but not kept, and only here
 * does the order in which recordings come matter. Sixteen different payloads that all pass the CRC are no downlink any more.
 */
const MAX_LANES = 16;
/** Segments beyond this place in their file are not kept: file systems end there (ext4 at 16 TiB, from memory), files long before. */
const MAX_DATA_BYTES = 2 ** 43;

export type LedgerOptions = {
  /** Needed for a new ledger; checked against an existing one. */
  readonly mission?: MissionText;
  readonly disk?: Disk;
  /** Payload bytes after which what came in begins to be made durable; default 4 MiB. */
  readonly stepBytes?: number;
};

export class Ledger implements SegmentStore {
  readonly folder: string;
  /** The mission of the ledger; catalogues of all its mission files joined. */
  mission: Mission;
  readonly files: Map<string, StoredFile> = new Map();
  readonly receptions: Map<string, Reception>;
  /** What was found wrong on opening or reading, in words. */
  readonly notes: string[] = [];
  /** Segments that reading found lost since the ledger was opened. */
  lostSegments = 0;
  /** How its files are cut into segments. */
  readonly segmentation: Segmentation;
  readonly #disk: Disk;
  readonly #data: LaneFiles;
  readonly #journal: Journal;
  readonly #commits: Commits;
  readonly #book: ReceptionBook;
  readonly #unlock: () => void;
  readonly #batches: Batches;
  readonly #lostBytes = new Map<string, number>();
  /** A write failed: what is on disk is no longer known, and nothing more is committed. */
  #failed = false;
  #lastFile: StoredFile | undefined;

  /**
   * Opens the ledger in `folder`, or begins one there when a mission is given.
   *
   * @throws LedgerError when there is none, it is foreign, newer, in use, or of a mission with other layers or frames
   */
  static open(folder: string, options: LedgerOptions = {}): Ledger {
    const { mission, disk = realDisk, stepBytes = STEP_BYTES } = options;
    if (!hasLedger(folder)) {
      if (!mission) throw new LedgerError('ledger-missing', folder, 'no ledger here; `passweave recover` makes one');
      makeFolder(folder, disk);
    }
    const unlock = lockLedger(path.join(folder, 'lock'));
    try {
      if (mission && !hasLedger(folder)) beginLedger(folder, mission.text, disk);
      return new Ledger(folder, mission, disk, stepBytes, unlock);
    } catch (error) {
      unlock();
      throw error;
    }
  }

  private constructor(
    folder: string,
    given: MissionText | undefined,
    disk: Disk,
    stepBytes: number,
    unlock: () => void,
  ) {
    makeParts(folder, disk);
    clearUnfinished(folder);
    this.folder = folder;
    this.#disk = disk;
    this.#unlock = unlock;
    this.mission = keepMission(folder, given, disk);
    this.segmentation = segmentation(this.mission);
    // For less than this a writer takes longer to start than to write.
    this.#data = new LaneFiles(disk, path.join(folder, 'data'), 2 * stepBytes);
    const journalFile = path.join(folder, 'segments.journal');
    const { journal, damage } = Journal.open(disk, journalFile, (entry) => this.#replay(entry));
    this.#journal = journal;
    this.#commits = new Commits(this.#data, journal, stepBytes);
    this.#batches = new Batches(this.segmentation, (entry) => this.#commits.add(entry));
    if (damage.tornTail > 0) {
      this.notes.push(
        `The ledger's journal ended in an unfinished or damaged record (${damage.tornTail} bytes, cut off); what came before it is there.`,
      );
    }
    if (damage.skipped > 0) {
      this.notes.push(
        `${damage.skipped} damaged bytes were taken out of the ledger's journal; hand the recordings in again to fill what they named.`,
      );
    }
    this.#book = new ReceptionBook(folder, disk, this.notes);
    this.receptions = this.#book.receptions;
    // What a damaged journal no longer names is missing, not unheard of.
    for (const { runs } of this.receptions.values()) for (const run of runs) if (run.lane >= 0) this.#laneOf(run);
  }

  /** Keeps a segment's payload unless it is there already; returns the lane that holds it, -1 when there are too many contents. */
  store(
    file: number,
    segments: number,
    key: number,
    bytes: Uint8Array,
    start: number,
    length: number,
    hash: number = hashLow(bytes, start, start + length),
  ): number {
    if (this.positionOf(key) + length > MAX_DATA_BYTES) return -1;
    const stored = this.#fileOf(file, segments);
    const lane = this.#laneFor(stored, key, length, hash);
    if (!lane) return -1;
    if (lane.table.hashOf(key) < 0) {
      this.#failed = true;
      this.#data.write(lane.path, this.positionOf(key), bytes, start, start + length);
      lane.table.add(key, length, hash);
      this.#batches.enter(stored, lane, key, 1, length, length);
      this.#commits.wrote(length, this.#settleAll);
      this.#failed = false;
    }
    return lane.index;
  }

  storeRun(run: SegmentRun, from: number): number {
    const stored = this.#fileOf(run.file, run.segments);
    const lane = stored.lanes[0];
    const end = this.positionOf(run.key + (run.count - 1) * run.step) + run.length;
    if (!lane || end > MAX_DATA_BYTES) return 0;
    const same = lane.table.sameInRun?.(run, from) ?? 0;
    // What is free in the first lane may stand in another.
    if (same > 0 || stored.lanes.length > 1) return same;
    const count = Math.min(lane.table.freeInRun?.(run, from) ?? 0, MAX_BATCH);
    if (count > 0) this.#addRun(stored, lane, run, from, count);
    return count;
  }

  /** Takes over that a content was once there and is lost: only its place is kept, for when it comes again. Returns its lane, or -1. */
  storeLost(file: number, segments: number, key: number, length: number, hash: number): number {
    const stored = this.#fileOf(file, segments);
    const lane = this.#laneFor(stored, key, length, hash);
    if (lane?.table.isFree(key, length)) {
      lane.table.add(key, length, hash);
      const step = stepFor(this.segmentation, length);
      const batch = { file, segments, lane: lane.index, key, step, lastLength: length, hashes: [hash] };
      this.#commits.add({ kind: 'segments', ...batch });
      this.#lose(stored, lane, key);
    }
    return lane?.index ?? -1;
  }

  /** The lane that holds just this content of a segment, -1 when none does. */
  laneHolding(file: number, segments: number, key: number, length: number, hash: number): number {
    const lanes = this.files.get(`${file}-${segments}`)?.lanes ?? [];
    return lanes.find(({ table }) => table.hashOf(key) === hash && table.lengthOf(key) === length)?.index ?? -1;
  }

  /** Adds another mission file of the same mission. @throws LedgerError when its layers or frame differ */
  adoptMission(mission: MissionText): void {
    this.mission = keepMission(this.folder, mission, this.#disk);
  }

  /** Makes everything stored so far durable. When it fails (disk full, disk error) the ledger takes nothing more; open it again. */
  commit(): void {
    this.#beginWriting();
    this.#settleAll();
    this.#commits.finish();
    this.#failed = false;
  }

  /**
   * Adds what a recording heard; one that is there already changes nothing but, perhaps, its station's name. On disk after what it
   * speaks of, with the next `commit` at the latest.
   */
  addReception(reception: Reception, damaged: Uint8Array): void {
    this.#beginWriting();
    this.#settleAll();
    this.#book.add(reception, damaged);
    this.#commits.whenDurable(() => this.#book.write(reception.xxh64));
    this.#failed = false;
  }

  /** Takes out what recordings heard, by their XXH64; what they are the beginnings of, added before, is then on disk. */
  removeReceptions(hashes: Iterable<string>): void {
    const removed = [...hashes];
    if (removed.length > 0) this.commit();
    this.#book.remove(removed);
  }

  /** See `ReceptionBook.show`. */
  showGrowing(growing: Iterable<Reception>, beginnings: Iterable<string>): void {
    this.#book.show(growing, beginnings);
  }

  /** The damaged frames kept of a recording, one after the other as `Reception.damaged` lists them. */
  damagedBytes(xxh64: string): Buffer {
    return this.#book.damagedBytes(xxh64);
  }

  /**
   * Reads the payloads of `count` segments that follow each other and checks each against its hash. One that no longer matches
   * (a page that never reached the disk, a disk error) is struck from the ledger: it then counts as missing, its bytes are zeroed.
   *
   * @param count at most as many as follow each other by `nextKey`
   * @param into at least `count` times the payload size, or all bytes of the segments; filled from its start, each at its place
   */
  readSegments(stored: StoredFile, lane: Lane, key: number, count: number, into: Uint8Array): void {
    const origin = this.positionOf(key);
    let end = key;
    for (let i = 0; i < count; i++) end = this.nextKey(lane, end);
    const size = this.segmentation.varies ? end - key : count * this.payloadSize;
    const read = this.#data.read(lane.path, origin, into.subarray(0, size));
    let next = key;
    for (let i = 0; i < count; i++) {
      const own = next;
      next = this.nextKey(lane, own);
      const at = this.positionOf(own) - origin;
      const length = lane.table.lengthOf(own);
      const hash = lane.table.hashOf(own);
      if (hash >= 0 && at + length <= read && hashLow(into, at, at + length) === hash) continue;
      into.fill(0, at, at + (this.segmentation.varies ? length : this.payloadSize));
      if (hash < 0) continue;
      this.#lose(stored, lane, own);
      this.lostSegments++;
      this.#lostBytes.set(lane.path, (this.#lostBytes.get(lane.path) ?? 0) + length);
    }
  }

  /** What reading found lost, and what was not kept, in words. */
  lossNotes(): string[] {
    const notes = [...this.#lostBytes].map(
      ([file, bytes]) =>
        `${path.join(this.folder, 'data', file)}: ${bytes} bytes do not match their hash and count as missing; hand the recordings in again to fill them.`,
    );
    let dropped = 0;
    for (const { runs } of this.receptions.values()) {
      for (const run of runs) if (run.lane < 0 && !this.isDirective(run)) dropped += run.count;
    }
    if (dropped > 0) {
      notes.push(
        `${dropped} frames passed their CRC but were not kept: more than ${MAX_LANES} contents of one segment, or a place that no file reaches.`,
      );
    }
    return notes;
  }

  get byOffset(): boolean {
    return this.segmentation.byOffset;
  }

  get payloadSize(): number {
    return this.segmentation.payloadSize;
  }

  /** Bytes of a segment of a file but, perhaps, its last; where nothing of it is there, of those of its files. */
  fullLength(_stored: StoredFile | null): number {
    return this.payloadSize;
  }

  /** Whether a run is of what a file delivery sends beside the files' data. */
  isDirective({ segments, lane }: { readonly segments: number; readonly lane: number }): boolean {
    return this.segmentation.varies && segments === DIRECTIVES && lane < 0;
  }

  /** The key of the segment that follows the one of `key` in a lane without a gap, be it there or not. */
  nextKey({ table }: Lane, key: number): number {
    const { byOffset, payloadSize, varies } = this.segmentation;
    return varies ? key + table.lengthOf(key) : key + (byOffset ? payloadSize : 1);
  }

  /** Where the payload named by `key` begins in its file, bytes. */
  positionOf(key: number): number {
    return this.byOffset ? key : key * this.payloadSize;
  }

  close(): void {
    try {
      if (!this.#failed) this.commit();
    } finally {
      this.abandon();
    }
  }

  /** Lets go without committing: what a crash would leave. */
  abandon(): void {
    this.#data.close();
    this.#journal.close();
    this.#unlock();
  }

  /** Where a content belongs: the lane that is for it, else the first with room; `undefined` when there are too many. */
  #laneFor(stored: StoredFile, key: number, length: number, hash: number): Lane | undefined {
    const { lanes } = stored;
    if (lanes[0]?.table.isFor(key, length, hash)) return lanes[0];
    const lane =
      lanes.find(({ table }) => table.isFor(key, length, hash)) ?? lanes.find(({ table }) => table.isFree(key, length));
    return lane ?? (lanes.length < MAX_LANES ? this.#newLane(stored) : undefined);
  }

  /** Until `#failed` is taken back. @throws LedgerError when writing failed before */
  #beginWriting(): void {
    if (this.#failed) throw new LedgerError('ledger-damaged', this.folder, 'writing it failed before; open it again');
    this.#failed = true;
  }

  #addRun(stored: StoredFile, lane: Lane, run: SegmentRun, from: number, count: number): void {
    this.#failed = true;
    const { bytes, step, length } = run;
    const key = run.key + from * step;
    const last = count - 1;
    const lastLength = lengthInRun(run, from + last);
    const full = lastLength === length ? count : last;
    this.#data.writeMany(lane.path, this.positionOf(key), bytes, run, from, length, full);
    if (full < count) {
      const lastStart = run.start + distanceTo(from + last, run);
      this.#data.write(lane.path, this.positionOf(key + last * step), bytes, lastStart, lastStart + lastLength);
    }
    lane.table.addRun!(run, from, count);
    this.#batches.enter(stored, lane, key, count, length, lastLength);
    this.#commits.wrote(last * length + lastLength, this.#settleAll);
    this.#failed = false;
  }

  #lose(stored: StoredFile, lane: Lane, key: number): void {
    this.#batches.settle(lane);
    lane.table.lose(key);
    this.#commits.add({ kind: 'lost', file: stored.file, segments: stored.segments, lane: lane.index, key });
  }

  readonly #settleAll = (): void => this.#batches.settleAll();

  #fileOf(file: number, segments: number): StoredFile {
    const last = this.#lastFile;
    if (last?.file === file && last.segments === segments) return last;
    const id = `${file}-${segments}`;
    let stored = this.files.get(id);
    if (!stored) {
      stored = { id, file, segments, lanes: [] };
      this.files.set(id, stored);
    }
    this.#lastFile = stored;
    return stored;
  }

  #newLane(stored: StoredFile): Lane {
    const index = stored.lanes.length;
    const lane = { index, path: `f${stored.id}.${index}`, table: newTable(this.segmentation) };
    stored.lanes.push(lane);
    return lane;
  }

  #laneOf({ file, segments, lane }: LaneName): Lane {
    const stored = this.#fileOf(file, segments);
    while (stored.lanes.length <= lane) this.#newLane(stored);
    return stored.lanes[lane]!;
  }

  #replay(entry: JournalEntry): void {
    const { table } = this.#laneOf(entry);
    if (entry.kind === 'lost') {
      table.lose(entry.key);
      return;
    }
    const last = entry.hashes.length - 1;
    const full = fullLength(this.segmentation, entry);
    for (let i = 0; i <= last; i++) {
      table.add(entry.key + i * entry.step, i === last ? entry.lastLength : full, entry.hashes[i]!);
    }
  }
}
