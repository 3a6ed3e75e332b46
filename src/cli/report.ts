// passweave report: the files and reports of a ledger again.
import { Command } from 'commander';
import { reportAgain } from '../recover.js';
import { jsonOption, type SetExitCode, type ToolOptions, tellOutcome, toolOptions, toolPaths } from './command.js';
import { showProgress } from './progress.js';

export function reportCommand(exit: SetExitCode): Command {
  const command = new Command('report')
    .description('write the files and reports of an output folder again, from its ledger')
    .argument('<folder>', 'output folder')
    .addOption(jsonOption());
  for (const option of toolOptions()) command.addOption(option);
  return command.action(async (folder: string, options: { json?: boolean } & ToolOptions) => {
    const progress = showProgress(options.json);
    try {
      const outcome = await reportAgain(folder, {
        onProgress: progress.onProgress,
        ...toolPaths(options),
      });
      progress.stop();
      tellOutcome(outcome, options, exit);
    } finally {
      progress.stop();
    }
  });
}
