// Writes one file as far as it is there: to files/ where all of it is, else to partial/ with its gaps beside it.
import fs from 'node:fs';
import { firstLast, rangePairs } from '../bytes/ranges.js';
import { type Assembly, assemble } from '../files/assemble.js';
import type { Edition } from '../files/edition.js';
import type { OutputFolder } from '../files/output-folder.js';
import type { Holdings } from '../ledger/holdings.js';
import type { FileCoverage } from './coverage.js';

/** What the coverage says of a file before anything is written or drawn of it. */
export type FileCounts = Omit<FileCoverage, 'stations' | 'path' | 'media' | 'salvage'>;

export type WrittenEdition = {
  readonly counts: FileCounts;
  /** Below the output folder; `null` = there was nothing to write. */
  readonly target: string | null;
  /** Of an incomplete file. */
  readonly holes: { readonly gaps: readonly (readonly [start: number, end: number])[]; readonly bytes: number } | null;
  /** Below the output folder. */
  readonly written: readonly string[];
};

export function countEdition(edition: Edition, name: string, ledger: Holdings): FileCounts {
  return countsOf(assemble(edition, ledger), edition, name, ledger);
}

function countsOf(assembly: Assembly, { id, file, edition }: Edition, name: string, ledger: Holdings): FileCounts {
  const { bytes, state, checksum, conflicts } = assembly;
  const segments = {
    total: assembly.total,
    received: assembly.received,
    unit: ledger.byOffset ? ('byte' as const) : ('segment' as const),
    missing: firstLast(assembly.missing),
  };
  return { id, file, edition, name, bytes, state, checksum, segments, conflicts };
}

export function writeEdition(edition: Edition, name: string, ledger: Holdings, folder: OutputFolder): WrittenEdition {
  let assembly: Assembly;
  let target: string | null;
  let lost: number;
  do {
    lost = ledger.lostSegments;
    assembly = assemble(edition, ledger);
    const whole = assembly.state === 'whole' || assembly.state === 'unproven';
    // An empty file has nothing to receive.
    target = assembly.received === 0 && !whole ? null : `${whole ? 'files' : 'partial'}/${name}`;
    if (target && ledger.lostSegments === lost) folder.write(target, assembly.emit);
  } while (ledger.lostSegments !== lost);
  const counts = countsOf(assembly, edition, name, ledger);
  if (!target?.startsWith('partial/')) return { counts, target, holes: null, written: target ? [target] : [] };
  const gaps = rangePairs(assembly.gaps);
  const gapsFile = `${target}.gaps.json`;
  const text = { format: 'passweave-gaps/1', name, bytes: assembly.bytes, missing: gaps };
  folder.writeText(gapsFile, `${JSON.stringify(text)}\n`);
  const bytes = assembly.bytes ?? fs.statSync(folder.resolve(target)).size + 1;
  return { counts, target, holes: { gaps, bytes }, written: [target, gapsFile] };
}
