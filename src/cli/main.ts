// The command line: one file per command, this one alone knows exit codes and the console.
import { Command, CommanderError } from 'commander';
import { LedgerError, MissionFileError, UsageError } from '../errors.js';
import { plainText } from '../report/plain-text.js';
import { VERSION } from '../report/version.js';
import { inspectCommand } from './inspect.js';
import { mergeCommand } from './merge.js';
import { missionCommand } from './mission.js';
import { packCommand } from './pack.js';
import { recoverCommand } from './recover.js';
import { rehearseCommand } from './rehearse.js';
import { repeatsCommand } from './repeats.js';
import { reportCommand } from './report.js';
import { watchCommand } from './watch.js';

const NOTHING_DONE = 1;

const program = new Command('passweave')
  .description(
    'Turns the recordings that several ground stations made of a repeating downlink into picture and video files,\nand says what is still missing and who has it.',
  )
  .version(VERSION)
  .showHelpAfterError('(passweave --help shows the commands)')
  .exitOverride();

for (const command of [
  inspectCommand,
  recoverCommand,
  mergeCommand,
  packCommand,
  reportCommand,
  repeatsCommand,
  rehearseCommand,
  watchCommand,
  missionCommand,
]) {
  program.addCommand(command((code) => (process.exitCode = code)).exitOverride());
}

try {
  await program.parseAsync();
} catch (error) {
  if (error instanceof CommanderError) {
    process.exitCode = error.exitCode === 0 ? 0 : NOTHING_DONE;
  } else if (isExpected(error)) {
    for (const line of error.message.split('\n'))
      process.stderr.write(`passweave: ${plainText(line, Number.POSITIVE_INFINITY)}\n`);
    process.exitCode = NOTHING_DONE;
  } else {
    throw error;
  }
}

/** Errors whose message is meant for the user; anything else is our own mistake. */
function isExpected(error: unknown): error is Error {
  if (error instanceof UsageError || error instanceof MissionFileError || error instanceof LedgerError) return true;
  const code = (error as NodeJS.ErrnoException)?.code;
  return code === 'ENOSPC' || code === 'EACCES' || code === 'EROFS' || code === 'EPERM';
}
