// passweave report: the files and reports of a ledger again.
import { Command } from 'commander';
import { reportAgain } from '../recover.js';
import {
  type ReportOptions,
  reportOptions,
  type SetExitCode,
  type ToolOptions,
  toolOptions,
  workAndTell,
} from './command.js';

export function reportCommand(exit: SetExitCode): Command {
  const command = new Command('report')
    .description('write the files and reports of an output folder again, from its ledger')
    .argument('<folder>', 'output folder');
  for (const option of [...reportOptions(), ...toolOptions()]) command.addOption(option);
  return command.action((folder: string, options: ReportOptions & ToolOptions) =>
    workAndTell((output) => reportAgain(folder, output), options, exit),
  );
}
