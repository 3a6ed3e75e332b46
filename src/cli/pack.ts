// passweave pack: a ledger as one zip to send.
import path from 'node:path';
import { Command } from 'commander';
import { packLedger } from '../ledger/pack.js';
import type { SetExitCode } from './command.js';

export function packCommand(_exit: SetExitCode): Command {
  return new Command('pack')
    .description('pack the ledger of an output folder into one zip, to send instead of the recordings')
    .argument('<folder>', 'output folder')
    .requiredOption('--out <zip>', 'the zip to write')
    .action(async (folder: string, options: { out: string }) => {
      const bytes = await packLedger(path.join(folder, 'ledger'), options.out);
      process.stdout.write(`${options.out}: ${bytes} bytes\n`);
    });
}
