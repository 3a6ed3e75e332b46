// passweave inspect: what is in recordings, found without being told, or seen with a mission file.
import { Command } from 'commander';
import { inspect } from '../inspect.js';
import { readMission } from '../recover.js';
import { jsonOption, type SetExitCode, tellProblems } from './command.js';
import { inspectionText } from './inspection-text.js';

export function inspectCommand(exit: SetExitCode): Command {
  return new Command('inspect')
    .description(
      'tell what is in recordings: container, layers from the outside in, counts and error rates, and a mission file to begin with',
    )
    .argument('<recording...>', 'files, archives or folders')
    .option('--mission <file>', "mission file, to look at the mission's own frames or files instead")
    .addOption(jsonOption())
    .action(async (recordings: string[], options: { mission?: string; json?: boolean }) => {
      const mission = options.mission === undefined ? undefined : readMission(options.mission).mission;
      const { inspections, problems } = await inspect(recordings, mission);
      const failed = [...problems, ...inspections.flatMap(({ problem }) => problem ?? [])];
      if (options.json) {
        const plain = inspections.map(({ problem, ...rest }) => ({ ...rest, problem: problem?.message ?? null }));
        process.stdout.write(`${JSON.stringify(plain, null, 2)}\n`);
      } else {
        process.stdout.write(inspections.map(inspectionText).join('\n'));
      }
      tellProblems(failed);
      exit(inspections.length === 0 ? 1 : failed.length > 0 ? 2 : 0);
    });
}
