// passweave inspect: what is in recordings.
import { Command } from 'commander';
import { type Inspection, inspect } from '../inspect.js';
import { readMission } from '../recover.js';
import { plainText } from '../report/plain-text.js';
import { jsonOption, type SetExitCode, tellProblems } from './command.js';

export function inspectCommand(exit: SetExitCode): Command {
  return new Command('inspect')
    .description('tell what is in recordings: container, baseband frames, CRC statistics, counters')
    .argument('<recording...>', 'files, archives or folders')
    .option('--mission <file>', "mission file, to look at the mission's own frames too")
    .addOption(jsonOption())
    .action(async (recordings: string[], options: { mission?: string; json?: boolean }) => {
      const mission = options.mission === undefined ? undefined : readMission(options.mission).mission;
      const { inspections, problems } = await inspect(recordings, mission);
      const failed = [...problems, ...inspections.flatMap(({ problem }) => problem ?? [])];
      if (options.json) {
        const plain = inspections.map(({ problem, ...rest }) => ({ ...rest, problem: problem?.message ?? null }));
        process.stdout.write(`${JSON.stringify(plain, null, 2)}\n`);
      } else {
        process.stdout.write(inspections.map(inWords).join('\n'));
      }
      tellProblems(failed);
      exit(inspections.length === 0 ? 1 : failed.length > 0 ? 2 : 0);
    });
}

function inWords(found: Inspection): string {
  const lines = [
    plainText(found.name, 78),
    row('station', plainText(found.station, 60)),
    row('container', `${found.container}, ${found.bytes} bytes inside`),
  ];
  if (found.startedAt !== undefined)
    lines.push(row('started', `${new Date(found.startedAt).toISOString()} by the station's clock`));
  for (const { layer, counts } of found.layers) {
    const told = Object.entries(counts).filter(([name, count]) => count > 0 || name === 'frames' || name === 'intact');
    told.forEach(([name, count], i) => {
      lines.push(row(i === 0 ? layer : '', `${count.toString().padStart(10)}  ${COUNT_WORDS[name] ?? name}`));
    });
  }
  if (found.frames) {
    const { intact, damaged, stretches, files, example } = found.frames;
    const share = intact + damaged === 0 ? 0 : (damaged / (intact + damaged)) * 100;
    lines.push(row('CRC', `${share.toFixed(2)} % of ${intact + damaged} frames fail`));
    for (const { first, last, frames } of stretches.slice(0, 8)) {
      lines.push(row('counters', `${first} to ${last}: ${frames} of ${last - first + 1} received`));
    }
    if (stretches.length > 8) lines.push(row('', `and ${stretches.length - 8} more stretches`));
    const listed = Object.entries(files).map(([file, frameCount]) => `${file} (${frameCount})`);
    lines.push(...wrap('files', listed));
    if (example)
      lines.push(
        ...wrap(
          'first frame',
          Object.entries(example).map(([name, value]) => `${name} ${value}`),
        ),
      );
  }
  if (found.marker) {
    const { marker, distance, share } = found.marker;
    lines.push(
      row(
        'marker',
        `${marker} every ${distance} bytes (${(share * 100).toFixed(0)} % of the distances): likely the frame's marker and length`,
      ),
    );
  } else if (!found.frames) {
    lines.push(row('marker', 'nothing repeats at a fixed distance in the data fields'));
  }
  return `${lines.join('\n')}\n`;
}

const COUNT_WORDS: Readonly<Record<string, string>> = {
  frames: 'baseband frames with a good header',
  headersDamaged: 'baseband frames with a damaged header, kept by their place',
  cut: 'baseband frames cut short',
  otherStreams: 'baseband frames of other streams',
  garbageBytes: 'bytes that are no frame',
  intact: 'frames intact',
  damaged: 'frames damaged',
  skippedBytes: 'bytes between frames',
  pieces: 'data fields joined',
  gaps: 'places where bytes were lost',
};

function row(label: string, text: string): string {
  return `  ${label.padEnd(12)}${text}`;
}

/** A list over as many lines of 80 columns as it takes. */
function wrap(label: string, words: readonly string[]): string[] {
  const lines: string[] = [];
  let line = '';
  for (const word of words) {
    if (line && line.length + word.length + 2 > 64) {
      lines.push(line);
      line = '';
    }
    line += (line ? ', ' : '') + word;
  }
  if (line) lines.push(line);
  return lines.map((text, i) => row(i === 0 ? label : '', text));
}
