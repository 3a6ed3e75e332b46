// passweave recover: the main job.
import { Command, InvalidArgumentError } from 'commander';
import { recover } from '../recover.js';
import {
  collect,
  type ReportOptions,
  reportOptions,
  type SetExitCode,
  type ToolOptions,
  toolOptions,
  workAndTell,
} from './command.js';

type Options = {
  mission: string;
  out: string;
  station?: { name: string; path: string }[];
  requireComplete?: boolean;
  workers?: number;
} & ReportOptions &
  ToolOptions;

export function recoverCommand(exit: SetExitCode): Command {
  const command = new Command('recover')
    .description('recover files from recordings and report what is missing; adds to the ledger in the output folder')
    .argument('[recording...]', 'files, zip or gzip archives, or folders (one station, or one entry per station)')
    .requiredOption('--mission <file>', 'mission file')
    .requiredOption('--out <folder>', 'output folder')
    .option('--station <name=path>', 'a recording and whose it is; may be given several times', collect(parseStation))
    .option('--require-complete', 'exit with 3 unless every known file is whole')
    .option(
      '--workers <number>',
      "decoding threads, the main one among them; 0 for none beside it (default: the machine's cores but one)",
      parseCount,
    );
  for (const option of [...reportOptions(), ...toolOptions()]) command.addOption(option);
  return command.action(async (recordings: string[], options: Options) => {
    if (recordings.length + (options.station?.length ?? 0) === 0) {
      command.error('error: name at least one recording');
    }
    const { mission, out, station: stations = [], workers } = options;
    const request = { recordings, mission, out, stations, ...(workers !== undefined && { workers }) };
    await workAndTell((output) => recover({ ...request, ...output }), options, exit);
  });
}

function parseCount(text: string): number {
  const count = Number(text);
  if (!/^\d+$/.test(text) || count > 64) throw new InvalidArgumentError('expected a whole number from 0 to 64.');
  return count;
}

export function parseStation(text: string): { name: string; path: string } {
  const at = text.indexOf('=');
  if (at < 1 || at === text.length - 1) throw new InvalidArgumentError('expected NAME=PATH.');
  return { name: text.slice(0, at), path: text.slice(at + 1) };
}
