// passweave merge: the ledgers of several stations into one.
import { Command } from 'commander';
import { merge } from '../recover.js';
import {
  outputOptions,
  type ReportOptions,
  reportOptions,
  type SetExitCode,
  type ToolOptions,
  tellOutcome,
  toolOptions,
} from './command.js';
import { showProgress } from './progress.js';

export function mergeCommand(exit: SetExitCode): Command {
  const command = new Command('merge')
    .description('merge the ledgers of several stations; any order or repetition gives the same result')
    .argument('<ledger...>', 'output folders, or zips made by `passweave pack`')
    .requiredOption('--out <folder>', 'output folder')
    .option('--require-complete', 'exit with 3 unless every known file is whole');
  for (const option of [...reportOptions(), ...toolOptions()]) command.addOption(option);
  return command.action(
    async (inputs: string[], options: { out: string; requireComplete?: boolean } & ReportOptions & ToolOptions) => {
      const progress = showProgress(options.json);
      try {
        const outcome = await merge({
          inputs,
          out: options.out,
          onProgress: progress.onProgress,
          ...outputOptions(options),
        });
        progress.stop();
        tellOutcome(outcome, options, exit);
      } finally {
        progress.stop();
      }
    },
  );
}
