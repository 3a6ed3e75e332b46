// passweave rehearse: recordings as stations would have made them, with the truth beside them.
import path from 'node:path';
import { Command, InvalidArgumentError } from 'commander';
import { readMission } from '../recover.js';
import { rehearseChain } from '../rehearsal/rehearse-chain.js';
import { defaultStations } from '../rehearsal/stations.js';
import type { SetExitCode } from './command.js';

type Options = { mission: string; files: string; out: string; seed: number; rotations: number; stations?: string[] };

export function rehearseCommand(_exit: SetExitCode): Command {
  return new Command('rehearse')
    .description(
      'make the recordings that stations would have made of a downlink of these files (seeded; nothing is radiated)',
    )
    .requiredOption('--mission <file>', 'mission file; its rate and rotation set the pace')
    .requiredOption('--files <folder>', 'the files to send')
    .requiredOption('--out <folder>', 'gets recordings/ and truth.json')
    .option('--seed <number>', 'the same seed makes the same bytes', parseCount, 1)
    .option('--rotations <number>', 'length of the campaign', parseCount, 8)
    .option('--stations <names>', 'stations, separated by commas', (text) => text.split(','))
    .action(async (options: Options) => {
      const { mission } = readMission(options.mission);
      const { seed, rotations, files, out, stations } = options;
      const seconds = rotations * (mission.downlink.rotationSeconds ?? Number.NaN);
      const plans = stations && Number.isFinite(seconds) ? { stations: defaultStations(stations, seconds) } : {};
      const truth = await rehearseChain({ mission, files, outDir: out, seed, rotations, ...plans });
      process.stdout.write(
        `${path.join(out, 'recordings')}: ${truth.stations.length} stations; what was sent and received is in ${path.join(out, 'truth.json')}\n` +
          'A rehearsal radiates nothing. Before a real downlink is planned: the licence, power and duty limits, and local rules come first.\n',
      );
    });
}

function parseCount(text: string): number {
  const count = Number(text);
  if (!Number.isInteger(count) || count < 1) throw new InvalidArgumentError('expected a whole number from 1.');
  return count;
}
