// One writer at a time: a lock file with the process number. A lock whose process is gone (killed, power cut) does not count.
// The number is that of a process on this machine: two machines must not write one ledger on a shared disk.
import fs from 'node:fs';
import path from 'node:path';
import { LedgerError } from '../errors.js';

/** Between making its lock and writing its number a process needs no longer than this. */
const EMPTY_FOR_MS = 5_000;

/** Locks of this process: a number alone does not tell, as the one process of a container always has the same. */
const held = new Set<string>();

/** Linux names each start of the machine: after it, an old process number may belong to anything. Empty elsewhere. */
const boot = readText('/proc/sys/kernel/random/boot_id')?.trim() ?? '';
const me = `${process.pid} ${boot}`.trim();

/**
 * Takes the lock.
 *
 * @param file in a folder that exists
 * @returns the release function
 * @throws LedgerError `ledger-busy`
 */
export function lockLedger(file: string): () => void {
  const own = path.join(fs.realpathSync(path.dirname(file)), path.basename(file));
  if (held.has(own)) throw busy(file, 'this process has the ledger open already; close it first');
  for (let tries = 0; tries < 3; tries++) {
    try {
      fs.writeFileSync(own, me, { flag: 'wx' });
      held.add(own);
      return () => release(own);
    } catch (error) {
      if ((error as NodeJS.ErrnoException).code !== 'EEXIST') throw error;
    }
    const text = readText(own);
    if (text === undefined) continue;
    if (text === '' && ageMs(own) < EMPTY_FOR_MS) {
      throw busy(file, 'another process is just taking this ledger; try again in some seconds');
    }
    const [pid, itsBoot = boot] = text.split(' ');
    if (Number(pid) !== process.pid && itsBoot === boot && isAlive(Number(pid))) {
      throw busy(
        file,
        `process ${pid} is writing this ledger; wait until it has ended (if that is no passweave, remove this file)`,
      );
    }
    removeStale(own, text);
  }
  throw busy(file, 'could not be taken; remove it if no other process writes this ledger');
}

function busy(file: string, message: string): LedgerError {
  return new LedgerError('ledger-busy', file, message);
}

function release(file: string): void {
  held.delete(file);
  if (readText(file) === me) fs.rmSync(file, { force: true });
}

function readText(file: string): string | undefined {
  try {
    return fs.readFileSync(file, 'utf8');
  } catch {
    return undefined;
  }
}

/** Of a lock that has gone meanwhile: none. */
function ageMs(file: string): number {
  return Date.now() - (fs.statSync(file, { throwIfNoEntry: false })?.mtimeMs ?? Date.now());
}

/** Of several processes that find the same stale lock, one moves it away; a fresh lock moved by mistake is put back. */
function removeStale(file: string, text: string): void {
  const aside = `${file}.${process.pid}`;
  try {
    fs.renameSync(file, aside);
  } catch (error) {
    if ((error as NodeJS.ErrnoException).code === 'ENOENT') return;
    throw error;
  }
  if (readText(aside) === text) fs.rmSync(aside, { force: true });
  else fs.renameSync(aside, file);
}

function isAlive(pid: number): boolean {
  if (!Number.isInteger(pid) || pid <= 0) return false;
  try {
    process.kill(pid, 0);
    return true;
  } catch (error) {
    return (error as NodeJS.ErrnoException).code === 'EPERM';
  }
}
