// passweave report: the files and reports of a ledger again.
import { Command } from 'commander';
import { reportAgain } from '../recover.js';
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

export function reportCommand(exit: SetExitCode): Command {
  const command = new Command('report')
    .description('write the files and reports of an output folder again, from its ledger')
    .argument('<folder>', 'output folder');
  for (const option of [...reportOptions(), ...toolOptions()]) command.addOption(option);
  return command.action(async (folder: string, options: ReportOptions & ToolOptions) => {
    const progress = showProgress(options.json);
    try {
      const outcome = await reportAgain(folder, {
        onProgress: progress.onProgress,
        ...outputOptions(options),
      });
      progress.stop();
      tellOutcome(outcome, options, exit);
    } finally {
      progress.stop();
    }
  });
}
