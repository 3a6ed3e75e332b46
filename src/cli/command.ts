// What the commands share: how they end, how problems are told, and options that several of them take.
import { Option } from 'commander';
import type { RecordingError } from '../errors.js';
import type { Outcome, OutputOptions } from '../recover.js';
import { coverageJson } from '../report/json.js';
import { plainText } from '../report/plain-text.js';
import { terminalSummary } from '../report/terminal.js';

/** 0 = worked, 1 = nothing could be done, 2 = some recordings failed, 3 = not complete though that was required. */
export type ExitCode = 0 | 1 | 2 | 3;
export type SetExitCode = (code: ExitCode) => void;

export const jsonOption = (): Option => new Option('--json', 'print machine-readable output on stdout');

export const toolOptions = (): Option[] => [
  new Option('--ffmpeg <path>', 'ffmpeg to use; else the one on PATH, else the packaged one'),
  new Option('--ffprobe <path>', 'ffprobe to use'),
];

export type ToolOptions = { ffmpeg?: string; ffprobe?: string };

/** What `toolOptions` gave, as the library takes it. */
export function toolPaths({ ffmpeg, ffprobe }: ToolOptions): Pick<OutputOptions, 'ffmpegPath' | 'ffprobePath'> {
  return { ...(ffmpeg && { ffmpegPath: ffmpeg }), ...(ffprobe && { ffprobePath: ffprobe }) };
}

/** Tells what failed, one line each, on stderr. Names in it may be downlinked or a stranger's: no control codes pass. */
export function tellProblems(problems: readonly RecordingError[]): void {
  for (const { message } of problems) {
    process.stderr.write(`passweave: ${plainText(message, Number.POSITIVE_INFINITY)}\n`);
  }
}

/** Prints the outcome of a run and sets the exit code. */
export function tellOutcome(
  outcome: Outcome,
  options: { json?: boolean; requireComplete?: boolean },
  exit: SetExitCode,
): void {
  const { report, problems } = outcome;
  tellProblems(problems);
  if (options.json) process.stdout.write(coverageJson(report));
  else {
    const colour = process.stdout.isTTY === true && !process.env['NO_COLOR'];
    process.stdout.write(terminalSummary(report, { width: process.stdout.columns ?? 80, colour }));
  }
  const whole = report.coverage.files.every(({ state }) => state === 'whole');
  if (report.coverage.recordings.length === 0) exit(1);
  else if (problems.length > 0) exit(2);
  else if (options.requireComplete && !whole) exit(3);
  else exit(0);
}

/** For options that may be given several times. */
export function collect<T>(parse: (text: string) => T): (text: string, earlier: T[] | undefined) => T[] {
  return (text, earlier) => [...(earlier ?? []), parse(text)];
}
