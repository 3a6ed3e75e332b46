// Merges one ledger into another: segments that are new are copied, contents that conflict go to further lanes, receptions are
// joined by the recordings' XXH64. Any order, grouping or repetition ends in the same coverage and the same files.
import fs from 'node:fs';
import type { Run } from '../segments/run.js';
import { Ledger } from './ledger.js';
import { readMissions } from './ledger-missions.js';
import type { Lane, StoredFile } from './stored-file.js';

const RUN_BYTES = 1 << 20;

/**
 * @param source ledger folder; nothing in it changes, but that damage found is noted there
 * @param target ledger folder; begun when there is none; may be the source, and then nothing happens
 * @param open the target, when the caller has it open already
 * @returns the target, open and committed
 * @throws LedgerError when one of them cannot be used, or their missions have other layers or frames
 */
export function mergeLedger(source: string, target: string, open?: Ledger): Ledger {
  if (isSameFolder(source, target)) return open ?? Ledger.open(target);
  const from = Ledger.open(source);
  let into = open;
  try {
    for (const mission of readMissions(source)) {
      if (into) into.adoptMission(mission);
      else into = Ledger.open(target, { mission });
    }
    copyLedger(from, into!);
    return into!;
  } catch (error) {
    if (!open) into?.abandon();
    throw error;
  } finally {
    from.close();
  }
}

function isSameFolder(a: string, b: string): boolean {
  return fs.existsSync(a) && fs.existsSync(b) && fs.realpathSync(a) === fs.realpathSync(b);
}

function copyLedger(from: Ledger, into: Ledger): void {
  const moved = new Map<string, LaneMoves>();
  for (const stored of from.files.values()) {
    const moves = stored.lanes.map((lane) => copyLane(from, stored, lane, into));
    moved.set(stored.id, moves);
  }
  for (const reception of from.receptions.values()) {
    const known = into.receptions.get(reception.xxh64);
    const runs = known?.runs ?? reception.runs.flatMap((run) => moveRun(run, moved.get(`${run.file}-${run.segments}`)));
    into.addReception({ ...reception, runs }, from.damagedBytes(reception.xxh64));
  }
  into.commit();
  into.notes.push(...[...from.notes, ...from.lossNotes()].map((note) => `Merged from ${from.folder}: ${note}`));
}

/** By lane of the source: the segments whose content the target keeps in another lane. */
type LaneMoves = Map<number, number>[];

function copyLane(from: Ledger, stored: StoredFile, lane: Lane, into: Ledger): Map<number, number> {
  const { file, segments } = stored;
  const { table } = lane;
  const moves = new Map<number, number>();
  const moveTo = (key: number, kept: number): void => {
    if (kept !== lane.index) moves.set(key, kept);
  };
  const longest = table.fullLength || from.payloadSize;
  const most = Math.max(1, Math.floor(RUN_BYTES / longest));
  const buffer = Buffer.alloc(most * longest);
  const keys: number[] = [];
  const copy = (): void => {
    if (keys.length > 0) from.readSegments(stored, lane, keys[0]!, keys.length, buffer);
    for (const key of keys) {
      const at = from.positionOf(key) - from.positionOf(keys[0]!);
      // What reading has just found lost is told below.
      if (table.hashOf(key) >= 0) moveTo(key, into.store(file, segments, key, buffer, at, table.lengthOf(key)));
    }
    keys.length = 0;
  };
  for (const key of table.keys()) {
    const there = into.laneHolding(file, segments, key, table.lengthOf(key), table.hashOf(key));
    if (there >= 0) {
      moveTo(key, there);
      continue;
    }
    if (keys.length === most || (keys.length > 0 && key !== from.nextKey(lane, keys.at(-1)!))) copy();
    keys.push(key);
  }
  copy();
  for (const { key, length, hash } of table.lost()) moveTo(key, into.storeLost(file, segments, key, length, hash));
  return moves;
}

/** The run in the target's lanes: cut where its segments went to different ones. */
function moveRun(run: Run, moves: LaneMoves | undefined): Run[] {
  const own = moves?.[run.lane];
  if (!own || own.size === 0) return [run];
  const parts: Run[] = [];
  for (let i = 0; i < run.count; i++) {
    const key = run.key + i * run.step;
    const lane = own.get(key) ?? run.lane;
    const last = parts.at(-1);
    if (last && last.lane === lane) last.count++;
    else parts.push({ ...run, counter: run.counter + i, count: 1, key, lane });
  }
  return parts;
}
