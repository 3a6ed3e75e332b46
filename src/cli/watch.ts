// passweave watch: recordings as they come, and the live page.
import { Command, InvalidArgumentError } from 'commander';
import { plainText } from '../report/plain-text.js';
import { count, counted, perCent } from '../report/quantity.js';
import { isLoopback, type ListenAddress, readListenAddress } from '../watch/live-access.js';
import type { WatchState } from '../watch/live-views.js';
import { watch } from '../watch/watch.js';
import {
  collect,
  outputOptions,
  type ReportOptions,
  reportOptions,
  type SetExitCode,
  type ToolOptions,
  tellOutcome,
  toolOptions,
} from './command.js';
import { parseStation } from './recover.js';

type Options = {
  mission: string;
  out: string;
  station?: { name: string; path: string }[];
  listen: string;
  quiet?: number;
} & ReportOptions &
  ToolOptions;

export function watchCommand(exit: SetExitCode): Command {
  const command = new Command('watch')
    .description(
      'take in recordings while they are being written, and baseband frames sent by UDP, and show on a page what is there; Ctrl-C ends it and writes the reports',
    )
    .argument(
      '[source...]',
      'folders, files, or udp://HOST:PORT (what comes is kept in received/ of the output folder)',
    )
    .requiredOption('--mission <file>', 'mission file')
    .requiredOption('--out <folder>', 'output folder; its ledger is added to')
    .option('--station <name=source>', 'a source and whose it is; may be given several times', collect(parseStation))
    .option('--listen <host:port>', 'where the page is; beyond this machine it asks for a printed key', '127.0.0.1:0')
    .option(
      '--quiet <seconds>',
      'a recording that has not grown for so long is finished (default: 30, or two rotations)',
      parseSeconds,
    );
  for (const option of [...reportOptions(), ...toolOptions()]) command.addOption(option);
  return command.action(async (inputs: string[], options: Options) => {
    if (inputs.length + (options.station?.length ?? 0) === 0) command.error('error: name at least one source');
    const listen = readListenAddress(options.listen);
    const line = new StateLine(options.json);
    const ending = new AbortController();
    const end = (): void => {
      // The second time at once: the ledger is as after a crash, which it withstands.
      if (ending.signal.aborted) process.exit(130);
      line.say('Ending: taking in the rest and writing the reports; once more, and it ends at once …');
      ending.abort();
    };
    process.on('SIGINT', end);
    process.on('SIGTERM', end);
    try {
      const outcome = await watch({
        inputs,
        stations: options.station ?? [],
        mission: options.mission,
        out: options.out,
        listen,
        ...(options.quiet !== undefined && { quietSeconds: options.quiet }),
        signal: ending.signal,
        onStart: (address, ports) => line.start(address, ports, listen),
        onState: (state) => line.show(state),
        ...outputOptions(options),
      });
      line.stop();
      tellOutcome(outcome, options, exit);
      if (outcome.undrawn > 0) {
        const files = outcome.undrawn === 1 ? '1 file is' : `${count(outcome.undrawn)} files are`;
        line.say(`${files} not drawn as far as received; passweave report ${options.out} draws the rest`);
      }
    } finally {
      line.stop();
      process.off('SIGINT', end);
      process.off('SIGTERM', end);
    }
  });
}

/** One line on a terminal, told anew; elsewhere a line now and then. */
class StateLine {
  readonly #isQuiet: boolean;
  readonly #isTerminal = process.stderr.isTTY === true;
  readonly #told = new Set<string>();
  #isShown = false;
  #lastAt = Number.NEGATIVE_INFINITY;

  constructor(isQuiet = false) {
    this.#isQuiet = isQuiet;
  }

  start(address: string, ports: readonly number[], { host }: ListenAddress): void {
    this.say(`Live page: ${address}`);
    if (!isLoopback(host)) {
      this.say(
        'The page is not encrypted: show its key only to those who may see the files, in a network that you trust.',
      );
    }
    for (const port of ports) this.say(`Receiving datagrams on UDP port ${port}`);
  }

  show({ report, recordings, growing, waiting, datagrams, notes }: WatchState): void {
    for (const note of notes) {
      if (!this.#told.has(note)) this.say(note);
      this.#told.add(note);
    }
    if (this.#isQuiet || (!this.#isTerminal && performance.now() - this.#lastAt < 30_000)) return;
    this.#lastAt = performance.now();
    const parts = [`${counted(recordings, 'recording')}, ${count(growing)} growing`];
    if (waiting > 0) parts.push(`${count(waiting)} waiting`);
    if (datagrams) parts.push(`${count(datagrams.received)} datagrams, ${count(datagrams.lost)} lost`);
    const totals = report?.coverage.totals;
    if (totals) {
      const { segments, files } = totals;
      parts.push(`${perCent(segments.received, segments.total)} of ${count(segments.total)} segments`);
      parts.push(`${count(files.whole)} of ${count(report.coverage.files.length)} files whole`);
    }
    const width = (process.stderr.columns ?? 80) - 1;
    const words = plainText(parts.join(' · '), this.#isTerminal ? width : Number.POSITIVE_INFINITY);
    process.stderr.write(this.#isTerminal ? `\r\u001b[K${words}` : `${words}\n`);
    this.#isShown = this.#isTerminal;
  }

  say(words: string): void {
    this.stop();
    process.stderr.write(`${plainText(words, Number.POSITIVE_INFINITY)}\n`);
  }

  stop(): void {
    if (this.#isShown) process.stderr.write('\r\u001b[K');
    this.#isShown = false;
  }
}

function parseSeconds(text: string): number {
  const seconds = Number(text);
  if (!(seconds >= 1 && seconds <= 86_400)) throw new InvalidArgumentError('expected seconds, from 1 to 86400.');
  return seconds;
}
