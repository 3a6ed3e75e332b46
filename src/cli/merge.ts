// passweave merge: the ledgers of several stations into one.
import { Command } from 'commander';
import { merge } from '../recover.js';
import {
  type ReportOptions,
  reportOptions,
  type SetExitCode,
  type ToolOptions,
  toolOptions,
  workAndTell,
} from './command.js';

export function mergeCommand(exit: SetExitCode): Command {
  const command = new Command('merge')
    .description('merge the ledgers of several stations; any order or repetition gives the same result')
    .argument('<ledger...>', 'output folders, or zips made by `passweave pack`')
    .requiredOption('--out <folder>', 'output folder')
    .option('--require-complete', 'exit with 3 unless every known file is whole');
  for (const option of [...reportOptions(), ...toolOptions()]) command.addOption(option);
  type Options = { out: string; requireComplete?: boolean } & ReportOptions & ToolOptions;
  return command.action((inputs: string[], options: Options) =>
    workAndTell((output) => merge({ inputs, out: options.out, ...output }), options, exit),
  );
}
