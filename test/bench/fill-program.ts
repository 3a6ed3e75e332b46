// Fills a ledger in a process of its own (fill-ledger.ts), as plain JavaScript like the program itself: what translates TypeScript
// on the way would share the processor with what is measured.
import { execFileSync } from 'node:child_process';
import path from 'node:path';
import { fileURLToPath } from 'node:url';
import { buildSync } from 'esbuild';

const root = fileURLToPath(new URL('../..', import.meta.url));
/** As deep below the top as its source, so that it finds the built library. */
const program = path.join(root, '.bench/programs/fill-ledger.js');
buildSync({ entryPoints: [path.join(root, 'test/bench/fill-ledger.ts')], outfile: program, format: 'esm' });

export type Filling = { seconds: number; cpuSeconds: number; rssMB: number; writtenMB: number };

/** @param ledger folder; @param workers as `ReceiveAllOptions` has it */
export function fillLedger(
  mission: string,
  ledger: string,
  workers: number,
  syncing: 'sync' | 'no-sync',
  recordings: readonly string[],
): Filling {
  const args = [program, mission, ledger, String(workers), syncing, ...recordings];
  return JSON.parse(execFileSync(process.execPath, args, { encoding: 'utf8' })) as Filling;
}
