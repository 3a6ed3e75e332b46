// Merges one ledger into another: segments that are new are copied, contents that conflict go to further lanes, receptions are
// joined by the recordings' SHA-256. Any order, grouping or repetition ends in the same coverage and the same files.
import fs from 'node:fs';
import path from 'node:path';
import { parseMission } from '../mission/mission-file.js';
import type { Run } from '../segments/reception.js';
import { Ledger, type StoredFile } from './ledger.js';

/**
 * @param source ledger folder; read, and its journal's torn tail cut, nothing else
 * @param target ledger folder; begun when there is none
 * @param open the target, when the caller has it open already
 * @returns the target, open and committed
 */
export function mergeLedger(source: string, target: string, open?: Ledger): Ledger {
  const from = Ledger.open(source);
  let into = open;
  try {
    for (const text of missionTexts(source)) {
      const given = { text, mission: parseMission(text, source) };
      if (!into) into = Ledger.open(target, { mission: given });
      else into.adoptMission(given);
    }
    const moved = new Map<string, LaneMoves>();
    for (const stored of from.files.values()) moved.set(stored.id, copySegments(from, stored, into!));
    for (const reception of from.receptions.values()) {
      const runs = reception.runs.flatMap((run) => moveRun(run, moved.get(`${run.file}-${run.segments}`)));
      into!.addReception({ ...reception, runs }, from.damagedBytes(reception.sha256));
    }
    into!.commit();
    return into!;
  } catch (error) {
    if (!open) into?.abandon();
    throw error;
  } finally {
    from.close();
  }
}

function missionTexts(ledger: string): string[] {
  const folder = path.join(ledger, 'missions');
  return fs
    .readdirSync(folder)
    .filter((name) => name.endsWith('.yaml'))
    .sort()
    .map((name) => fs.readFileSync(path.join(folder, name), 'utf8'));
}

/** By lane of the source: the segments whose content the target keeps in another lane. */
type LaneMoves = Map<number, Map<number, number>>;

function copySegments(from: Ledger, stored: StoredFile, into: Ledger): LaneMoves {
  const moves: LaneMoves = new Map();
  const buffer = Buffer.alloc(from.payloadSize);
  for (const lane of stored.lanes) {
    const own = new Map<number, number>();
    for (const key of [...lane.table.keys()]) {
      const length = lane.table.lengthOf(key);
      const there = into.laneHolding(stored.file, stored.segments, key, length, lane.table.crcOf(key));
      let kept = there;
      if (there < 0) {
        from.readSegments(stored, lane, key, 1, buffer);
        if (lane.table.crcOf(key) < 0) continue;
        kept = into.store(stored.file, stored.segments, key, buffer, 0, length);
      }
      if (kept !== lane.index) own.set(key, kept);
    }
    if (own.size > 0) moves.set(lane.index, own);
  }
  return moves;
}

/** The run in the target's lanes: cut where its segments went to different ones. */
function moveRun(run: Run, moves: LaneMoves | undefined): Run[] {
  const own = moves?.get(run.lane);
  if (!own) return [run];
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
