// passweave repeats: a first estimate of how many repeats would have got everything.
import { Command, InvalidArgumentError } from 'commander';
import { estimate } from '../estimate.js';
import type { RepeatsEstimate } from '../planning/repeats.js';
import { plainText } from '../report/plain-text.js';
import { jsonOption, type SetExitCode } from './command.js';

export function repeatsCommand(_exit: SetExitCode): Command {
  return new Command('repeats')
    .description(
      'estimate how many repeats would have got everything, from what was received (a first, simple estimate)',
    )
    .argument('<folder>', 'output folder')
    .option('--target <chance>', 'wanted chance that everything arrives', parseChance, 0.99)
    .option('--stations <names>', 'only these stations, separated by commas', (text) => text.split(','))
    .addOption(jsonOption())
    .action((folder: string, options: { target: number; stations?: string[]; json?: boolean }) => {
      const result = estimate(folder, options);
      process.stdout.write(options.json ? `${JSON.stringify(result, null, 2)}\n` : inWords(result));
    });
}

function inWords({ target, segments, sent, fitPerRotation, rows }: RepeatsEstimate): string {
  const lines = rows.map(({ stations, probability, interval, repeats, repeatsInterval }, i) => {
    const who =
      i === 0 && stations.length > 1 ? 'all together' : stations.map((name) => plainText(name, 24)).join(', ');
    const share = `${percent(probability)} of the frames (${percent(interval[0])} to ${percent(interval[1])})`;
    const [fewest, most] = repeatsInterval;
    return `  ${who.padEnd(26)}${share.padEnd(38)}${count(repeats).padStart(4)}  (${count(fewest)} to ${count(most)})`;
  });
  return [
    `Repeats of everything for a chance of ${target} that all ${segments} segments arrive:`,
    `  ${'station'.padEnd(26)}${'received while anyone listened'.padEnd(38)}repeats`,
    ...lines,
    fitPerRotation === null
      ? 'How many repeats fit in a rotation is not known: the mission file gives no rate or no rotation.'
      : fitPerRotation >= 1
        ? `At the mission's rate ${fitPerRotation} fit in one rotation.`
        : "At the mission's rate not even one repeat of everything fits in one rotation.",
    `From ${sent} transmissions. This first estimate takes losses as independent; losses in bursts, and a blind part of the`,
    'rotation that meets the same segments each time, need more. Before anything is sent: the licence, power and duty',
    'limits, and local rules come first.',
    '',
  ].join('\n');
}

function percent(share: number): string {
  return `${(share * 100).toFixed(1)} %`;
}

function count(repeats: number | null): string {
  return repeats === null ? 'none' : String(repeats);
}

function parseChance(text: string): number {
  const chance = Number(text);
  if (!(chance > 0 && chance < 1)) throw new InvalidArgumentError('expected a chance between 0 and 1, such as 0.99.');
  return chance;
}
