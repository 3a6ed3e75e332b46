// The beginning of a ledger: its folders, and ledger.json, which says that this is one and in which version.
import fs from 'node:fs';
import path from 'node:path';
import { LedgerError } from '../errors.js';
import { type Disk, UNFINISHED } from './disk.js';
import { writeMission } from './ledger-missions.js';

const FORMAT = 'passweave-ledger';
const VERSION = 2;
const PARTS = ['missions', 'data', 'recordings', 'damaged'];

/** Whether there is a ledger in `folder`. @throws LedgerError when it is foreign, newer or older */
export function hasLedger(folder: string): boolean {
  const file = path.join(folder, 'ledger.json');
  if (!fs.existsSync(file)) return false;
  let head: { format?: unknown; version?: unknown } | null;
  try {
    head = JSON.parse(fs.readFileSync(file, 'utf8')) as typeof head;
  } catch {
    head = null;
  }
  if (head?.format !== FORMAT) {
    throw new LedgerError(
      'ledger-foreign',
      file,
      'this is not one of our ledgers; nothing was changed, choose another --out folder',
    );
  }
  if (typeof head.version !== 'number' || head.version > VERSION) {
    throw new LedgerError(
      'ledger-newer',
      file,
      `version ${String(head.version)} was written by a newer passweave (this one knows up to ${VERSION}); nothing was changed, update passweave`,
    );
  }
  if (head.version < VERSION) {
    throw new LedgerError(
      'ledger-older',
      file,
      `version ${head.version} was written by an older passweave, this one reads version ${VERSION}; nothing was changed, hand the recordings in again with another --out folder`,
    );
  }
  return true;
}

/** Makes `folder` and what lies above it, lastingly. */
export function makeFolder(folder: string, disk: Disk): void {
  const first = fs.mkdirSync(folder, { recursive: true });
  if (first === undefined) return;
  // A new folder lasts when the one above it is synced.
  for (let made = path.resolve(folder); made !== path.dirname(path.resolve(first)); made = path.dirname(made)) {
    disk.syncFolder(path.dirname(made));
  }
}

/** The folders of a ledger; a copy may have left out empty ones. */
export function makeParts(folder: string, disk: Disk): void {
  for (const part of PARTS) makeFolder(path.join(folder, part), disk);
}

/** Takes away what a process that was killed had not yet renamed into place; for the one who holds the lock. */
export function clearUnfinished(folder: string): void {
  for (const part of ['.', ...PARTS]) {
    for (const name of fs.readdirSync(path.join(folder, part))) {
      if (name.endsWith(UNFINISHED)) fs.rmSync(path.join(folder, part, name), { force: true });
    }
  }
}

/** Begins a ledger; ledger.json comes last, so that what was broken off before it is begun again. */
export function beginLedger(folder: string, missionText: string, disk: Disk): void {
  makeParts(folder, disk);
  writeMission(folder, missionText, disk);
  disk.replace(path.join(folder, 'ledger.json'), `${JSON.stringify({ format: FORMAT, version: VERSION })}\n`);
}
