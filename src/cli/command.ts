// What the commands share: how they end, how problems are told, and options that several of them take.
import { Option } from 'commander';
import type { RecordingError } from '../errors.js';
import type { Outcome, OutputOptions } from '../recover.js';
import { coverageJson } from '../report/json.js';
import { markdownReport } from '../report/markdown.js';
import { plainText } from '../report/plain-text.js';
import { terminalSummary } from '../report/terminal.js';
import { showProgress } from './progress.js';

/** 0 = worked, 1 = nothing could be done, 2 = some recordings failed, 3 = not complete though that was required. */
export type ExitCode = 0 | 1 | 2 | 3;
export type SetExitCode = (code: ExitCode) => void;

export const jsonOption = (): Option => new Option('--json', 'print machine-readable output on stdout');

/** How a run tells its outcome: `--json` or `--format`, and whether with a contact sheet. */
export const reportOptions = (): Option[] => [
  jsonOption(),
  new Option('--format <form>', 'how to print the report on stdout')
    .choices(['terminal', 'markdown'])
    .default('terminal')
    .conflicts('json'),
  new Option('--contact-sheet', 'also write contact-sheet.png, one picture of all pictures with their names'),
  new Option('--conceal', 'also fill holes of pictures by interpolation, in files of their own that say so'),
  new Option(
    '--damaged-frames <way>',
    'frames of incomplete clips that are not as sent: marked, or the last good one held',
  )
    .choices(['marked', 'held'])
    .default('marked'),
];

export type ReportOptions = {
  json?: boolean;
  format?: 'terminal' | 'markdown';
  contactSheet?: boolean;
  conceal?: boolean;
  damagedFrames?: 'marked' | 'held';
};

export const toolOptions = (): Option[] => [
  new Option('--ffmpeg <path>', 'ffmpeg to use; else the one on PATH, else the packaged one'),
  new Option('--ffprobe <path>', 'ffprobe to use'),
];

export type ToolOptions = { ffmpeg?: string; ffprobe?: string };

/** What `toolOptions` and `reportOptions` gave, as the library takes it. */
export function outputOptions({
  ffmpeg,
  ffprobe,
  contactSheet,
  conceal,
  damagedFrames,
}: ToolOptions & ReportOptions): Omit<OutputOptions, 'onProgress'> {
  return {
    repeats: true,
    ...(ffmpeg && { ffmpegPath: ffmpeg }),
    ...(ffprobe && { ffprobePath: ffprobe }),
    ...(contactSheet && { contactSheet }),
    ...(conceal && { conceal }),
    ...(damagedFrames && { damagedFrames }),
  };
}

/** Tells what failed, one line each, on stderr. Names in it may be downlinked or a stranger's: no control codes pass. */
export function tellProblems(problems: readonly RecordingError[]): void {
  for (const { message } of problems) {
    process.stderr.write(`passweave: ${plainText(message, Number.POSITIVE_INFINITY)}\n`);
  }
}

/** Does work that shows its progress, then tells its outcome. */
export async function workAndTell(
  work: (options: OutputOptions) => Promise<Outcome>,
  options: ReportOptions & ToolOptions & { requireComplete?: boolean },
  exit: SetExitCode,
): Promise<void> {
  const progress = showProgress(options.json);
  let outcome: Outcome;
  try {
    outcome = await work({ onProgress: progress.onProgress, ...outputOptions(options) });
  } finally {
    progress.stop();
  }
  tellOutcome(outcome, options, exit);
}

/** Prints the outcome of a run and sets the exit code. */
export function tellOutcome(
  outcome: Outcome,
  options: ReportOptions & { requireComplete?: boolean },
  exit: SetExitCode,
): void {
  const { report, problems } = outcome;
  tellProblems(problems);
  if (options.json) process.stdout.write(coverageJson(report));
  else if (options.format === 'markdown') process.stdout.write(markdownReport(report));
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
