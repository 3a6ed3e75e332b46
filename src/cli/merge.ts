// passweave merge: the ledgers of several stations into one.
import { Command } from 'commander';
import { merge } from '../recover.js';
import { jsonOption, type SetExitCode, type ToolOptions, tellOutcome, toolOptions, toolPaths } from './command.js';
import { showProgress } from './progress.js';

export function mergeCommand(exit: SetExitCode): Command {
  const command = new Command('merge')
    .description('merge the ledgers of several stations; any order or repetition gives the same result')
    .argument('<ledger...>', 'output folders, or zips made by `passweave pack`')
    .requiredOption('--out <folder>', 'output folder')
    .option('--require-complete', 'exit with 3 unless every known file is whole')
    .addOption(jsonOption());
  for (const option of toolOptions()) command.addOption(option);
  return command.action(
    async (inputs: string[], options: { out: string; json?: boolean; requireComplete?: boolean } & ToolOptions) => {
      const progress = showProgress(options.json);
      try {
        const outcome = await merge({
          inputs,
          out: options.out,
          onProgress: progress.onProgress,
          ...toolPaths(options),
        });
        progress.stop();
        tellOutcome(outcome, options, exit);
      } finally {
        progress.stop();
      }
    },
  );
}
