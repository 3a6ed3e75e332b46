// One writer at a time: a lock file with the process number. A lock whose process is gone (killed, power cut) does not count.
import fs from 'node:fs';
import { LedgerError } from '../errors.js';

/** @returns the release function */
export function lockLedger(file: string): () => void {
  for (let tries = 0; tries < 3; tries++) {
    try {
      fs.writeFileSync(file, String(process.pid), { flag: 'wx' });
      return () => fs.rmSync(file, { force: true });
    } catch (error) {
      if ((error as NodeJS.ErrnoException).code !== 'EEXIST') throw error;
    }
    const holder = Number(readOrEmpty(file));
    if (holder !== process.pid && isAlive(holder)) {
      throw new LedgerError('ledger-busy', file, `process ${holder} is writing this ledger; wait until it has ended`);
    }
    if (holder === process.pid) {
      throw new LedgerError('ledger-busy', file, 'this process has the ledger open already; close it first');
    }
    fs.rmSync(file, { force: true });
  }
  throw new LedgerError('ledger-busy', file, 'could not be taken; remove it if no other process writes this ledger');
}

function readOrEmpty(file: string): string {
  try {
    return fs.readFileSync(file, 'utf8');
  } catch {
    return '';
  }
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
