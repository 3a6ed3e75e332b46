// passweave mission check: is a mission file right, and if not, where.
import { Command } from 'commander';
import { decodeChain } from '../layers/chain.js';
import { readMission } from '../recover.js';
import { plainText } from '../report/plain-text.js';
import type { SetExitCode } from './command.js';

export function missionCommand(_exit: SetExitCode): Command {
  const check = new Command('check')
    .description('validate a mission file; mistakes are told with line and column')
    .argument('<file>', 'mission file')
    .action((file: string) => {
      const { mission } = readMission(file);
      const nothing = () => undefined;
      decodeChain(mission, { intact: nothing, damaged: nothing, fileData: nothing, metadata: nothing, eof: nothing });
      const { frame, layers, files } = mission;
      const chain = [...layers.map(({ name }) => name), ...(frame ? ['frame'] : [])].join(' > ');
      process.stdout.write(
        [
          `${file}: right`,
          `mission     ${plainText(mission.name, 60)}`,
          `chain       ${chain}`,
          ...(frame
            ? [`frame       ${frame.length} bytes, ${frame.payload.size} of them payload, ${frame.crc.parameters.name}`]
            : []),
          `catalogue   ${files.catalogue.length} files${files.descriptor ? `; file ${files.descriptor.file} describes the others` : ''}`,
          '',
        ].join('\n'),
      );
    });
  return new Command('mission').description('work on mission files').addCommand(check);
}
