// The main job: recordings -> layers -> segments -> ledger -> files -> coverage -> reports, the stages in order.
import fs from 'node:fs';
import path from 'node:path';
import { type BuildOptions, buildCoverage } from './coverage/build-coverage.js';
import { RecordingError, UsageError } from './errors.js';
import { estimateLedger } from './estimate.js';
import { OutputFolder } from './files/output-folder.js';
import { openRecordings } from './intake/open-recordings.js';
import type { Recording } from './intake/source.js';
import { FILE_DELIVERY, LAYERS } from './layers/index.js';
import { type Kept, keepReception } from './ledger/keep-reception.js';
import { Ledger } from './ledger/ledger.js';
import { mergeLedger } from './ledger/merge.js';
import { unpackLedger } from './ledger/pack.js';
import { findFfmpeg, type Tools } from './media/ffmpeg.js';
import { parseMission } from './mission/mission-file.js';
import { contactSheet } from './report/contact-sheet.js';
import { missingCsv } from './report/csv.js';
import { reportHtml } from './report/html.js';
import { coverageJson } from './report/json.js';
import type { Report } from './report/model.js';
import { VERSION } from './report/version.js';
import { receiveAll } from './workers/receive-all.js';

/** What is being done; `done` and `total` count bytes on disk, recordings or files. */
export type Progress = {
  readonly stage: 'reading' | 'merging' | 'writing';
  readonly name: string;
  readonly done: number;
  readonly total: number;
};

export type OutputOptions = {
  /** Paths of ffmpeg and ffprobe; else PATH, else the installer packages. */
  readonly ffmpegPath?: string;
  readonly ffprobePath?: string;
  readonly onProgress?: (progress: Progress) => void;
  /** Also write contact-sheet.png, one picture of all pictures, where there are any. Default no. */
  readonly contactSheet?: boolean;
  /** Also fill the holes of pictures by interpolation, in files of their own that say so. Default no. */
  readonly conceal?: boolean;
  /** Frames of incomplete clips that are not as sent are marked, or the last good one is held. Default marked. */
  readonly damagedFrames?: 'marked' | 'held';
  /** Also estimate how many repeats the next downlink needs, for the page; takes about a second, more with millions of segments. Default no. */
  readonly repeats?: boolean;
  /** Threads that decode recordings and draw files; 0 = none but the calling one. Default: the machine's cores, fewer for little work. */
  readonly workers?: number;
};

export type RecoverOptions = OutputOptions & {
  /** Files, archives and folders. */
  readonly recordings: readonly string[];
  /** Path of the mission file. */
  readonly mission: string;
  /** Output folder; its ledger is added to. */
  readonly out: string;
  /** Recordings whose station the user names. */
  readonly stations?: readonly { readonly name: string; readonly path: string }[];
};

export type Outcome = {
  readonly report: Report;
  /** Recordings that failed, wholly or from some byte on; the others are in. */
  readonly problems: readonly RecordingError[];
  /** How many recordings were read, and how many of them the ledger had already. */
  readonly recordings: { readonly read: number; readonly known: number };
};

/**
 * Recovers files from recordings into `out`, adding to the ledger there.
 *
 * @throws UsageError, MissionFileError or LedgerError when nothing could be started
 */
export async function recover(options: RecoverOptions): Promise<Outcome> {
  const mission = readMission(options.mission);
  let read = 0;
  const progress = { name: '', total: 0 };
  const { recordings, problems } = await openRecordings(options.recordings, {
    stations: options.stations ?? [],
    onRead: (bytes) => {
      read += bytes;
      options.onProgress?.({ stage: 'reading', done: read, ...progress });
    },
  });
  if (recordings.length === 0 && !hasLedger(options.out)) {
    throw new UsageError(['nothing to recover from', ...problems.map(({ message }) => message)].join('\n'));
  }
  progress.total = recordings.reduce((sum, { storedBytes }) => sum + storedBytes, 0);
  const ledger = Ledger.open(path.join(options.out, 'ledger'), { mission });
  try {
    const failed = [...problems];
    const heard = new Set<string>();
    let known = 0;
    const results = new Map<Recording, Kept>();
    await receiveAll(
      recordings,
      ledger.mission,
      ledger,
      (recording, received) => results.set(recording, keepReception(recording, received, ledger)),
      {
        workers: options.workers,
        onStart: ({ name }) => {
          progress.name = name;
        },
      },
    );
    ledger.commit();
    for (const recording of recordings) {
      const result = results.get(recording)!;
      if (result.problem && !isTold(result.problem, failed)) failed.push(result.problem);
      if (result.problem?.code !== 'no-frames') heard.add(captureOf(recording.name));
      if (result.known) known++;
    }
    const report = await writeReports(ledger, options.out, options);
    const told = failed.filter(({ code, file }) => !(code === 'no-frames' && heard.has(captureOf(file))));
    return { report, problems: told, recordings: { read: recordings.length, known } };
  } finally {
    ledger.close();
  }
}

/** What a capture's flows share in their names: that one of them is not the downlink is no problem when another is. */
export function captureOf(name: string): string {
  return /^(.*), (?:UDP|link type) [^,]*$/.exec(name)?.[1] ?? name;
}

/** Whether the same break was told already: an archive's cut is found on opening it, and again on reading the entry it hits. */
export function isTold(problem: RecordingError, told: readonly RecordingError[]): boolean {
  return told.some(
    ({ code, file, offset }) => code === problem.code && file === problem.file && offset === problem.offset,
  );
}

/** Merges the ledgers of `inputs` (output folders, ledger folders, or zips made by `pack`) into `out`. */
export async function merge(options: OutputOptions & { inputs: readonly string[]; out: string }): Promise<Outcome> {
  const problems: RecordingError[] = [];
  const sources: { folder: string; discard: () => void }[] = [];
  let ledger: Ledger | undefined;
  try {
    for (const input of options.inputs) {
      try {
        sources.push(await openLedgerSource(input));
      } catch (error) {
        if (!(error instanceof RecordingError)) throw error;
        problems.push(error);
      }
    }
    if (sources.length === 0) {
      throw new UsageError(['nothing to merge', ...problems.map(({ message }) => message)].join('\n'));
    }
    const target = path.join(options.out, 'ledger');
    let done = 0;
    for (const { folder } of sources) {
      options.onProgress?.({ stage: 'merging', name: folder, done: done++, total: sources.length });
      if (path.resolve(folder) === path.resolve(target)) continue;
      ledger = mergeLedger(folder, target, ledger);
    }
    ledger ??= Ledger.open(target);
    const report = await writeReports(ledger, options.out, options);
    return { report, problems, recordings: { read: 0, known: 0 } };
  } finally {
    ledger?.close();
    for (const { discard } of sources) discard();
  }
}

/** Writes the files and reports of the ledger in `out` again. */
export async function reportAgain(out: string, options: OutputOptions = {}): Promise<Outcome> {
  const ledger = Ledger.open(path.join(out, 'ledger'));
  try {
    return { report: await writeReports(ledger, out, options), problems: [], recordings: { read: 0, known: 0 } };
  } finally {
    ledger.close();
  }
}

/**
 * Writes files and reports of what the ledger holds.
 *
 * @param making of a watch: the outputs that it goes on with, and how long drawing may take
 */
export async function writeReports(
  ledger: Ledger,
  out: string,
  options: OutputOptions,
  making: Pick<BuildOptions, 'outputs' | 'until'> = {},
): Promise<Report> {
  const folder = new OutputFolder(out);
  const tools: Tools | null = await findFfmpeg(options);
  const { conceal = false, damagedFrames = 'marked', workers } = options;
  const campaign = await buildCoverage(ledger, folder, tools, {
    onFile: (done, total, name) => options.onProgress?.({ stage: 'writing', name, done, total }),
    show: { conceal, damagedFrames },
    workers,
    ...making,
  });
  // Where nothing counts transmissions, nothing is known of losses.
  const isCounted = ledger.segmentation.counterBits > 0;
  const repeats = options.repeats && isCounted && estimateLedger(ledger, campaign.coverage.files, out, { quick: true });
  const report: Report = { ...campaign, ...(repeats && { repeats }), madeBy: `passweave ${VERSION}` };
  folder.writeText('coverage.json', coverageJson(report));
  folder.writeText('missing.csv', missingCsv(report));
  folder.writeText('report.html', reportHtml(report));
  const sheet = options.contactSheet ? await contactSheet(report) : null;
  if (sheet) folder.write('contact-sheet.png', (write) => write(sheet));
  return report;
}

/** Reads a mission file for the ledger, which keeps its text. */
export function readMission(file: string): { text: string; mission: ReturnType<typeof parseMission> } {
  let text: string;
  try {
    text = fs.readFileSync(file, 'utf8');
  } catch (error) {
    throw new UsageError(
      `${file}: the mission file cannot be read (${(error as NodeJS.ErrnoException).code ?? error})`,
    );
  }
  return { text, mission: parseMission(text, file, { layerNames: [...LAYERS.keys(), FILE_DELIVERY] }) };
}

function hasLedger(out: string): boolean {
  return fs.existsSync(path.join(out, 'ledger', 'ledger.json'));
}

/** The ledger folder behind `input`, unpacked to a temporary place when it is a zip. */
async function openLedgerSource(input: string): Promise<{ folder: string; discard: () => void }> {
  const stat = fs.statSync(input, { throwIfNoEntry: false });
  if (!stat) throw new RecordingError('not-found', input, undefined, 'no such folder or zip');
  if (!stat.isDirectory()) return unpackLedger(input);
  const inside = path.join(input, 'ledger');
  const folder = fs.existsSync(path.join(inside, 'ledger.json')) ? inside : input;
  return { folder, discard: () => undefined };
}
