// passweave repeats: how many repeats per rotation the next downlink needs, from what was received.
import { Command, InvalidArgumentError } from 'commander';
import { type EstimateOptions, estimate } from '../estimate.js';
import { terminalRepeats } from '../report/terminal-repeats.js';
import { jsonOption, type SetExitCode } from './command.js';

type Options = { target: number; rate?: number; rotation?: number; stations?: string[]; json?: boolean };

export function repeatsCommand(_exit: SetExitCode): Command {
  return new Command('repeats')
    .description('estimate how many repeats per rotation bring everything down, from what was received')
    .argument('<folder>', 'output folder')
    .option('--target <chance>', 'wanted chance that everything arrives', parseChance, 0.99)
    .option('--rate <rate>', 'information rate to plan with, such as "1.9 Mbit/s"; else the mission file\'s', parseRate)
    .option('--rotation <seconds>', 'length of a rotation, such as "94 s"; else estimated', parseSeconds)
    .option('--stations <names>', 'only these stations, separated by commas', (text) => text.split(','))
    .addOption(jsonOption())
    .action((folder: string, { target, rate, rotation, stations, json }: Options) => {
      const options: EstimateOptions = {
        target,
        ...(stations && { stations }),
        ...(rate && { bitsPerSecond: rate }),
        ...(rotation && { rotationSeconds: rotation }),
      };
      const result = estimate(folder, options);
      const width = Math.min(80, process.stdout.columns ?? 80);
      process.stdout.write(json ? `${JSON.stringify(result, null, 2)}\n` : terminalRepeats(result, width));
    });
}

function parseChance(text: string): number {
  const chance = Number(text);
  if (!(chance > 0 && chance < 1)) throw new InvalidArgumentError('expected a chance between 0 and 1, such as 0.99.');
  return chance;
}

const FACTORS: Readonly<Record<string, number>> = { '': 1, k: 1e3, M: 1e6, G: 1e9 };

function parseRate(text: string): number {
  const [, number, factor] = /^([\d.]+)\s*(?:([kMG]?)bit\/s)?$/.exec(text.trim()) ?? [];
  const rate = Number(number) * FACTORS[factor ?? '']!;
  if (!(rate > 0)) throw new InvalidArgumentError('expected a rate, such as "1.9 Mbit/s".');
  return rate;
}

function parseSeconds(text: string): number {
  const [, number] = /^([\d.]+)\s*s?$/.exec(text.trim()) ?? [];
  if (!(Number(number) > 0)) throw new InvalidArgumentError('expected seconds, such as "94 s".');
  return Number(number);
}
