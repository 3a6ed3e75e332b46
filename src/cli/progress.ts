// Progress of long work on stderr: a bar on a terminal, else one plain line per stage.
import { SingleBar } from 'cli-progress';
import type { Progress } from '../recover.js';
import { plainText } from '../report/plain-text.js';

const STAGE_WORDS: Readonly<Record<Progress['stage'], string>> = {
  reading: 'Reading recordings',
  merging: 'Merging ledgers',
  writing: 'Writing files',
};

/** @returns what takes the progress, and what ends its display */
export function showProgress(quiet = false): { onProgress: (progress: Progress) => void; stop: () => void } {
  if (quiet) return { onProgress: () => undefined, stop: () => undefined };
  let stage: Progress['stage'] | undefined;
  let bar: SingleBar | undefined;
  const stop = (): void => bar?.stop();
  const onProgress = (progress: Progress): void => {
    const { done, total, name } = progress;
    if (progress.stage !== stage) {
      stop();
      stage = progress.stage;
      bar = process.stderr.isTTY ? startBar(STAGE_WORDS[stage], total) : undefined;
      if (!bar) process.stderr.write(`${STAGE_WORDS[stage]} …\n`);
    }
    bar?.update(Math.min(done, total), { name: plainText(name, 28) });
  };
  return { onProgress, stop };
}

function startBar(words: string, total: number): SingleBar {
  const bar = new SingleBar({
    format: `${words} {bar} {percentage} %  {name}`,
    barsize: 16,
    barCompleteChar: '=',
    barIncompleteChar: '-',
    hideCursor: true,
    clearOnComplete: true,
    stopOnComplete: false,
    stream: process.stderr,
  });
  bar.start(Math.max(1, total), 0, { name: '' });
  return bar;
}
