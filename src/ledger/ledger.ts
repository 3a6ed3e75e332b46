// The merged state on disk, crash-safe: payloads in sparse files, a journal of unique segments, one reception file per recording.
//
//   ledger.json            format and version
//   missions/SHA.yaml      the mission files it was filled with
//   data/fFILE-SEGMENTS.L  payloads in place (L = lane: 0, and more only where contents conflict)
//   segments.journal       which segments are there, with their CRC-32
//   recordings/SHA256.json what each recording heard; damaged/SHA256.bin its damaged frames
//
// Order of a commit: data synced, then the journal; a recording's reception last. Killed anywhere, what the journal says is on disk.
import { createHash } from 'node:crypto';
import fs from 'node:fs';
import path from 'node:path';
import { crc32 } from '../bytes/crc.js';
import { LedgerError } from '../errors.js';
import type { FileFacts, Mission } from '../mission/mission.js';
import { parseMission } from '../mission/mission-file.js';
import type { SegmentStore } from '../segments/reception.js';
import { type Disk, realDisk } from './disk.js';
import { Journal, type JournalEntry, type LaneName, type SegmentBatch } from './journal.js';
import { LaneFiles } from './lane-files.js';
import { lockLedger } from './lock.js';
import { decodeReception, encodeReception, type Reception } from './reception-file.js';
import { NumberedTable, OffsetTable, type SegmentTable } from './segment-table.js';

const FORMAT = 'passweave-ledger';
const VERSION = 1;
/** Contents kept of one segment; more with a valid CRC are counted, not kept. */
const MAX_LANES = 16;
/** New payload bytes after which a commit is due. */
const COMMIT_BYTES = 64 << 20;

/** One content of a file, or a part of one. */
export type Lane = { readonly index: number; readonly path: string; readonly table: SegmentTable };

/** What came under one file number with one stated number of segments. */
export type StoredFile = { readonly id: string; readonly file: number; readonly segments: number; readonly lanes: Lane[] };

type Pending = { -readonly [K in keyof Omit<SegmentBatch, 'crcs'>]: SegmentBatch[K] } & { crcs: number[] };

export type LedgerOptions = {
  /** Needed for a new ledger; checked against an existing one. */
  readonly mission?: { readonly text: string; readonly mission: Mission };
  readonly disk?: Disk;
};

export class Ledger implements SegmentStore {
  readonly folder: string;
  /** The mission of the ledger; catalogues of all its mission files joined. */
  mission: Mission;
  readonly files: Map<string, StoredFile> = new Map();
  readonly receptions: Map<string, Reception> = new Map();
  /** What was found wrong on opening or reading, in words. */
  readonly notes: string[] = [];
  /** Contents beyond `MAX_LANES`, not kept. */
  variantsDropped = 0;
  /** Segments that reading found lost since the ledger was opened. */
  lostSegments = 0;
  /** Segments are named by byte offset instead of by number. */
  readonly byOffset: boolean;
  readonly payloadSize: number;
  readonly #disk: Disk;
  readonly #data: LaneFiles;
  readonly #journal: Journal;
  readonly #unlock: () => void;
  readonly #pending = new Map<Lane, Pending>();
  readonly #entries: JournalEntry[] = [];
  readonly #lostBytes = new Map<string, number>();
  #uncommittedBytes = 0;
  #lastFile: StoredFile | undefined;

  /**
   * Opens the ledger in `folder`, or begins one there when a mission is given.
   *
   * @throws LedgerError when there is none, it is foreign, newer, in use, or of a mission with other layers or frames
   */
  static open(folder: string, options: LedgerOptions = {}): Ledger {
    const { mission, disk = realDisk } = options;
    const head = path.join(folder, 'ledger.json');
    if (!fs.existsSync(head)) {
      if (!mission) throw new LedgerError('ledger-missing', folder, 'no ledger here; `passweave recover` makes one');
      begin(folder, disk);
    }
    checkHead(head);
    const unlock = lockLedger(path.join(folder, 'lock'));
    try {
      return new Ledger(folder, mission, disk, unlock);
    } catch (error) {
      unlock();
      throw error;
    }
  }

  private constructor(folder: string, given: LedgerOptions['mission'], disk: Disk, unlock: () => void) {
    this.folder = folder;
    this.#disk = disk;
    this.#unlock = unlock;
    this.mission = keepMission(folder, given, disk);
    this.byOffset = this.mission.frame.fields.offset !== undefined;
    this.payloadSize = this.mission.frame.payload.size;
    this.#data = new LaneFiles(disk, path.join(folder, 'data'));
    const journalFile = path.join(folder, 'segments.journal');
    const { journal, damage } = Journal.open(disk, journalFile, (entry) => this.#replay(entry));
    this.#journal = journal;
    if (damage.tornTail > 0) {
      this.notes.push(`The ledger's journal ended in an unfinished write (${damage.tornTail} bytes, cut off); all that was committed is there.`);
    }
    if (damage.skipped > 0) {
      this.notes.push(`${damage.skipped} damaged bytes in the ledger's journal were passed over; hand the recordings in again to fill what they named.`);
    }
    this.#readReceptions();
  }

  /** Keeps a segment's payload unless it is there already; returns the lane that holds it, -1 when there are too many contents. */
  store(file: number, segments: number, key: number, bytes: Uint8Array, start: number, length: number): number {
    let stored = this.#lastFile;
    if (stored === undefined || stored.file !== file || stored.segments !== segments) {
      stored = this.#fileOf(file, segments);
      this.#lastFile = stored;
    }
    const crc = crc32(bytes, start, start + length);
    for (const lane of stored.lanes) {
      const there = lane.table.crcOf(key);
      if (there === crc && lane.table.lengthOf(key) === length) return lane.index;
      if (there < 0) return this.#add(stored, lane, key, bytes, start, length, crc);
    }
    if (stored.lanes.length >= MAX_LANES) {
      this.variantsDropped++;
      return -1;
    }
    return this.#add(stored, this.#newLane(stored), key, bytes, start, length, crc);
  }

  /** The lane that holds just this content of a segment, -1 when none does. */
  laneHolding(file: number, segments: number, key: number, length: number, crc: number): number {
    const lanes = this.files.get(`${file}-${segments}`)?.lanes ?? [];
    return lanes.find(({ table }) => table.crcOf(key) === crc && table.lengthOf(key) === length)?.index ?? -1;
  }

  /** Adds another mission file of the same mission. @throws LedgerError when its layers or frame differ */
  adoptMission(mission: NonNullable<LedgerOptions['mission']>): void {
    this.mission = keepMission(this.folder, mission, this.#disk);
  }

  /** Makes everything stored so far durable. */
  commit(): void {
    this.#data.sync();
    for (const batch of this.#pending.values()) this.#entries.push({ kind: 'segments', ...batch });
    this.#pending.clear();
    this.#journal.append(this.#entries);
    this.#entries.length = 0;
    this.#uncommittedBytes = 0;
  }

  /** Commits, then adds what a recording heard; a recording already there changes nothing but, perhaps, its station's name. */
  addReception(reception: Reception, damaged: Uint8Array): void {
    this.commit();
    const known = this.receptions.get(reception.sha256);
    const merged = known ? mergeNames(known, reception) : reception;
    if (merged === known) return;
    if (!known && damaged.length > 0) {
      this.#disk.replace(path.join(this.folder, 'damaged', `${reception.sha256}.bin`), damaged);
    }
    this.#disk.replace(path.join(this.folder, 'recordings', `${reception.sha256}.json`), encodeReception(merged));
    this.receptions.set(reception.sha256, merged);
  }

  /** The damaged frames kept of a recording, one after the other as `Reception.damaged` lists them. */
  damagedBytes(sha256: string): Buffer {
    const file = path.join(this.folder, 'damaged', `${sha256}.bin`);
    return fs.existsSync(file) ? fs.readFileSync(file) : Buffer.alloc(0);
  }

  /**
   * Reads the payloads of `count` segments that follow each other and checks each against its CRC-32. One that no longer matches
   * (a page that never reached the disk, a disk error) is struck from the ledger: it then counts as missing, its bytes are zeroed.
   *
   * @param into at least `count` times the payload size; filled from its start, each segment at its place
   */
  readSegments(stored: StoredFile, lane: Lane, key: number, count: number, into: Uint8Array): void {
    const origin = this.positionOf(key);
    const step = this.byOffset ? this.payloadSize : 1;
    const read = this.#data.read(lane.path, origin, into.subarray(0, count * this.payloadSize));
    for (let i = 0; i < count; i++) {
      const own = key + i * step;
      const at = this.positionOf(own) - origin;
      const length = lane.table.lengthOf(own);
      if (at + length <= read && crc32(into, at, at + length) === lane.table.crcOf(own)) continue;
      into.fill(0, at, at + length);
      lane.table.remove(own);
      this.#entries.push({ kind: 'lost', file: stored.file, segments: stored.segments, lane: lane.index, key: own });
      this.lostSegments++;
      this.#lostBytes.set(lane.path, (this.#lostBytes.get(lane.path) ?? 0) + length);
    }
  }

  /** What reading found lost, in words. */
  lossNotes(): string[] {
    return [...this.#lostBytes].map(
      ([file, bytes]) =>
        `${path.join(this.folder, 'data', file)}: ${bytes} bytes do not match their CRC and count as missing; hand the recordings in again to fill them.`,
    );
  }

  /** Where the payload named by `key` begins in its file, bytes. */
  positionOf(key: number): number {
    return this.byOffset ? key : key * this.payloadSize;
  }

  close(): void {
    this.commit();
    this.#data.close();
    this.#journal.close();
    this.#unlock();
  }

  /** Lets go without committing: what a crash would leave. */
  abandon(): void {
    this.#data.close();
    this.#journal.close();
    this.#unlock();
  }

  #add(stored: StoredFile, lane: Lane, key: number, bytes: Uint8Array, start: number, length: number, crc: number): number {
    this.#data.write(lane.path, this.positionOf(key), bytes, start, start + length);
    lane.table.add(key, length, crc);
    const step = this.byOffset ? this.payloadSize : 1;
    const pending = this.#pending.get(lane);
    const follows = pending && pending.key + pending.crcs.length * step === key && pending.lastLength === this.payloadSize;
    if (follows) {
      pending.crcs.push(crc);
      pending.lastLength = length;
    } else {
      if (pending) this.#entries.push({ kind: 'segments', ...pending });
      const { file, segments } = stored;
      this.#pending.set(lane, { file, segments, lane: lane.index, key, step, lastLength: length, crcs: [crc] });
    }
    this.#uncommittedBytes += length;
    if (this.#uncommittedBytes >= COMMIT_BYTES) this.commit();
    return lane.index;
  }

  #fileOf(file: number, segments: number): StoredFile {
    const id = `${file}-${segments}`;
    let stored = this.files.get(id);
    if (!stored) {
      stored = { id, file, segments, lanes: [] };
      this.files.set(id, stored);
    }
    return stored;
  }

  #newLane(stored: StoredFile): Lane {
    const index = stored.lanes.length;
    const table = this.byOffset ? new OffsetTable() : new NumberedTable(this.payloadSize);
    const lane = { index, path: `f${stored.id}.${index}`, table };
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
      table.remove(entry.key);
      return;
    }
    const last = entry.crcs.length - 1;
    entry.crcs.forEach((crc, i) => {
      table.add(entry.key + i * entry.step, i === last ? entry.lastLength : this.payloadSize, crc);
    });
  }

  #readReceptions(): void {
    const folder = path.join(this.folder, 'recordings');
    for (const name of fs.readdirSync(folder).sort()) {
      if (!/^[0-9a-f]{64}\.json$/.test(name)) continue;
      try {
        const reception = decodeReception(fs.readFileSync(path.join(folder, name), 'utf8'));
        this.receptions.set(reception.sha256, reception);
      } catch (error) {
        this.notes.push(`${path.join(folder, name)}: cannot be read (${(error as Error).message}); hand that recording in again.`);
      }
    }
  }
}

function begin(folder: string, disk: Disk): void {
  for (const part of ['', 'missions', 'data', 'recordings', 'damaged']) {
    fs.mkdirSync(path.join(folder, part), { recursive: true });
  }
  disk.syncFolder(folder);
  disk.replace(path.join(folder, 'ledger.json'), `${JSON.stringify({ format: FORMAT, version: VERSION })}\n`);
}

function checkHead(file: string): void {
  let head: { format?: unknown; version?: unknown };
  try {
    head = JSON.parse(fs.readFileSync(file, 'utf8')) as typeof head;
  } catch {
    head = {};
  }
  if (head?.format !== FORMAT) {
    throw new LedgerError('ledger-foreign', file, 'this is not one of our ledgers; nothing was changed, choose another --out folder');
  }
  if (typeof head.version !== 'number' || head.version > VERSION) {
    throw new LedgerError('ledger-newer', file, `version ${String(head.version)} was written by a newer passweave (this one knows up to ${VERSION}); nothing was changed, update passweave`);
  }
}

/** Adds the given mission file to the ledger's, and returns the mission that all of them make. */
function keepMission(folder: string, given: LedgerOptions['mission'], disk: Disk): Mission {
  const missions = path.join(folder, 'missions');
  const texts = fs
    .readdirSync(missions)
    .filter((name) => name.endsWith('.yaml'))
    .sort()
    .map((name) => fs.readFileSync(path.join(missions, name), 'utf8'));
  const known = texts.map((text) => parseMission(text, missions));
  if (given) {
    const other = known.find((mission) => chainOf(mission) !== chainOf(given.mission));
    if (other) {
      throw new LedgerError('ledger-other-mission', folder, `holds mission "${other.name}", whose layers or frame differ from those of "${given.mission.name}"; nothing was changed, choose another --out folder`);
    }
    if (!texts.includes(given.text)) {
      const sha = createHash('sha256').update(given.text).digest('hex');
      disk.replace(path.join(missions, `${sha}.yaml`), given.text);
      known.push(given.mission);
      texts.push(given.text);
    }
  }
  // The same whatever order the files came in: the fullest catalogue leads, ties are broken by the text.
  const order = known.map((mission, i) => ({ mission, text: texts[i]! }));
  order.sort((a, b) => b.mission.files.catalogue.length - a.mission.files.catalogue.length || (a.text < b.text ? -1 : 1));
  const lead = order[0]?.mission;
  if (!lead) throw new LedgerError('ledger-damaged', missions, 'holds no mission file; run `passweave recover` with --mission once more');
  const catalogue = new Map<string, FileFacts>();
  for (const { mission } of order) for (const facts of mission.files.catalogue) catalogue.set(JSON.stringify(facts), facts);
  return { ...lead, files: { ...lead.files, catalogue: [...catalogue.values()] } };
}

/** What must agree for two mission files to fill one ledger. */
export function chainOf(mission: Mission): string {
  const { layers, frame } = mission;
  return JSON.stringify({ layers, frame: { ...frame, marker: [...frame.marker] } });
}

function mergeNames(known: Reception, other: Reception): Reception {
  const station = known.station <= other.station ? known.station : other.station;
  const name = known.name <= other.name ? known.name : other.name;
  const better = known.problems.length <= other.problems.length ? known.problems : other.problems;
  if (station === known.station && name === known.name && better === known.problems) return known;
  return { ...known, station, name, problems: better };
}
