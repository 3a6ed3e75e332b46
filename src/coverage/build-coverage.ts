// From a ledger to the coverage of the campaign: names the transmissions, finds the editions, writes the files, counts.
import { rangesLength, subtractRanges } from '../bytes/ranges.js';
import { assemble } from '../files/assemble.js';
import { openFiles } from '../files/delivery-view.js';
import { type Edition, findFileEditions } from '../files/edition.js';
import { readDescriptor } from '../files/facts.js';
import type { OutputFolder } from '../files/output-folder.js';
import type { Holdings } from '../ledger/holdings.js';
import type { Ledger } from '../ledger/ledger.js';
import { ffmpegMissing, type Tools } from '../media/ffmpeg.js';
import type { FrameRun } from '../media/salvage.js';
import type { Thumbnail } from '../media/thumbnail.js';
import type { FileFacts } from '../mission/mission.js';
import { fileLabel, frameSeconds } from '../mission/segmentation.js';
import { comparableRuns } from '../segments/comparable-runs.js';
import { type Placement, placeApart, placeTransmissions } from '../segments/transmission.js';
import { type CampaignDetails, campaignDetails } from './campaign-details.js';
import type { Coverage, FileCoverage, MissingRange, Strip } from './coverage.js';
import { type FileOutput, FileOutputs, type MakeOptions, type ShowOptions } from './file-outputs.js';
import { missingRanges, receptionStrips, sentLines } from './missing.js';
import { stationCoverage, stationReceptions } from './stations.js';

/** Larger descriptors are not read: a list of a hundred thousand files fits. */
const MAX_DESCRIPTOR_BYTES = 16 << 20;

export type CampaignCoverage = {
  readonly coverage: Coverage;
  readonly missing: MissingRange[];
  readonly strips: Strip[];
  readonly thumbnails: Map<string, Thumbnail>;
  /** By file id, of incomplete clips: runs of frames of one class. */
  readonly clips: Map<string, (readonly [frames: number, kind: FrameRun['class']])[]>;
  readonly details: CampaignDetails;
};

/** Where every stretch of every recording of the ledger belongs, by the recording's XXH64. */
export function placeLedger(ledger: Ledger): Map<string, Placement[]> {
  const { counterBits, varies } = ledger.segmentation;
  const heard = varies ? comparableRuns(ledger.receptions.values()) : [...ledger.receptions.values()];
  return counterBits > 0 ? placeTransmissions(heard, counterBits, frameSeconds(ledger.mission)) : placeApart(heard);
}

export type BuildOptions = Omit<MakeOptions, 'onFile'> & {
  readonly onFile?: (done: number, total: number, name: string) => void;
  readonly show?: ShowOptions;
  /** Threads that draw; 0 = none but the calling one. Default: the machine's cores. */
  readonly workers?: number | undefined;
  /** Of this ledger and folder, to go on with what they are drawing; `show` and `workers` are then theirs. Default: new ones. */
  readonly outputs?: FileOutputs;
};

/**
 * Writes the files of the output folder and counts what is in and what is missing. The ledger must not change meanwhile.
 *
 * @param tools `null` where there is no ffmpeg: clips are then not described
 */
export async function buildCoverage(
  ledger: Ledger,
  folder: OutputFolder,
  tools: Tools | null,
  options: BuildOptions = {},
): Promise<CampaignCoverage> {
  if (options.outputs) return (await countCampaign(ledger, tools, options.outputs, options)).campaign;
  const { show = {}, workers } = options;
  const outputs = new FileOutputs(ledger.folder, folder, { tools, show, threads: workers });
  try {
    return (await countCampaign(ledger, tools, outputs, options)).campaign;
  } finally {
    await outputs.close();
  }
}

/** The files as a full count found them: what counting them again goes on from. */
export type CountedFiles = { readonly editions: readonly Edition[]; readonly holdings: Holdings };

/** As `buildCoverage`, with what `recountFiles` needs. */
export async function countCampaign(
  ledger: Ledger,
  tools: Tools | null,
  fileOutputs: FileOutputs,
  { onFile, ...making }: Omit<BuildOptions, 'outputs' | 'show' | 'workers'>,
): Promise<{ campaign: CampaignCoverage; counted: CountedFiles }> {
  const placements = placeLedger(ledger);
  const { holdings, facts: known, notes: deliveryNotes } = openFiles(ledger, placements);
  const facts = [...known, ...descriptorFacts(holdings, placements)];
  const { editions, notes } = findFileEditions(holdings, placements, facts);
  const tell = (done: number, name: string): void => onFile?.(done, editions.length, name);
  const outputs = await fileOutputs.make(editions, holdings, { ...making, onFile: tell });
  const stations = stationReceptions(holdings, placements, editions);
  const { rows, transmissions } = stationCoverage(stations, ledger.segmentation.counterBits > 0);
  const files = outputs.map(({ coverage }, i): FileCoverage => {
    const held = stations.map(
      ({ name, segments }) => [name, rangesLength(segments.get(editions[i]!.id) ?? [])] as const,
    );
    return remember({ ...coverage, stations: Object.fromEntries(held) }, coverage);
  });
  const recordings = [...ledger.receptions.values()].sort(
    (a, b) => compare(a.station, b.station) || compare(a.name, b.name) || compare(a.xxh64, b.xxh64),
  );
  const coverage: Coverage = {
    format: 'passweave-coverage/1',
    mission: ledger.mission.name,
    stations: rows,
    recordings: recordings.map(({ station, name, xxh64, bytes, frames, problems }) => {
      return { station, name, xxh64, bytes, frames: { ...frames }, problems: [...problems] };
    }),
    files,
    totals: {
      ...countFiles(files),
      frames: {
        read: rows.reduce((sum, { frames }) => sum + frames.read, 0),
        intact: rows.reduce((sum, { frames }) => sum + frames.intact, 0),
        damaged: rows.reduce((sum, { frames }) => sum + frames.damaged, 0),
      },
      transmissions,
    },
    notes: [
      ...(making.isBeside || fileOutputs.waiting === 0 ? [] : [leftNote(fileOutputs.waiting)]),
      ...notes,
      ...deliveryNotes,
      ...conflictNotes(files),
      ...editionNotes(editions, ledger),
      ...outputs.flatMap(undrawnNote),
      ...(tools === null && outputs.some(({ isClip }) => isClip) ? [ffmpegMissing] : []),
      ...ledger.lossNotes(),
      ...ledger.notes,
    ],
  };
  const campaign = {
    coverage,
    missing: missingRanges(files, editions, sentLines(holdings, placements)),
    strips: receptionStrips(editions, files, holdings, placements),
    thumbnails: thumbnailsOf(outputs),
    clips: clipsOf(outputs),
    details: campaignDetails(ledger, placements, stations, files),
  };
  return { campaign, counted: { editions, holdings } };
}

/**
 * Counts and draws the files of an earlier count as they are now, and nothing else of the campaign: cheap, also where there are very
 * many. Of a file delivery, whose files are a view of what was there then, nothing changes.
 */
export async function recountFiles(
  { coverage }: Pick<CampaignCoverage, 'coverage'>,
  { editions, holdings }: CountedFiles,
  fileOutputs: FileOutputs,
): Promise<Pick<CampaignCoverage, 'coverage' | 'thumbnails' | 'clips'>> {
  const outputs = await fileOutputs.make(editions, holdings, { isBeside: true });
  const files = outputs.map(({ coverage: own }, i): FileCoverage => {
    const file = coverage.files[i]!;
    return own === unchanged.get(file) ? file : remember({ ...own, stations: file.stations }, own);
  });
  const totals = { ...coverage.totals, ...countFiles(files) };
  return { coverage: { ...coverage, files, totals }, thumbnails: thumbnailsOf(outputs), clips: clipsOf(outputs) };
}

/** Which output each file's coverage was made from. */
const unchanged = new WeakMap<FileCoverage, FileOutput['coverage']>();

function remember(file: FileCoverage, own: FileOutput['coverage']): FileCoverage {
  unchanged.set(file, own);
  return file;
}

/** The facts that the on-board descriptor tells, one edition of it after the other. */
function descriptorFacts(ledger: Holdings, placements: Map<string, Placement[]>): FileFacts[] {
  const { descriptor, catalogue } = ledger.mission.files;
  if (!descriptor) return [];
  const { editions } = findFileEditions(ledger, placements, catalogue, descriptor.file);
  return editions.flatMap((edition) => {
    const assembly = assemble(edition, ledger);
    const parts: Buffer[] = [];
    let size = 0;
    if (edition.total * ledger.payloadSize > MAX_DESCRIPTOR_BYTES) return [];
    assembly.emit((bytes) => {
      parts.push(Buffer.from(bytes));
      size += bytes.length;
    });
    const received = subtractRanges([0, size], assembly.gaps);
    return readDescriptor(Buffer.concat(parts), received, descriptor.format);
  });
}

function countFiles(files: readonly FileCoverage[]): Pick<Coverage['totals'], 'files' | 'segments' | 'bytes'> {
  const whole = files.reduce((sum, { state, bytes }) => sum + (state === 'whole' ? (bytes ?? 0) : 0), 0);
  return { files: countStates(files), segments: countSegments(files), bytes: { whole } };
}

function countStates(files: readonly FileCoverage[]): Coverage['totals']['files'] {
  const counts = { whole: 0, unproven: 0, partial: 0, disputed: 0 };
  for (const { state } of files) counts[state]++;
  return counts;
}

function countSegments(files: readonly FileCoverage[]): Coverage['totals']['segments'] {
  const total = files.reduce((sum, { segments }) => sum + segments.total, 0);
  const received = files.reduce((sum, { segments }) => sum + segments.received, 0);
  return { total, received, missing: Math.max(0, total - received) };
}

function conflictNotes(files: readonly FileCoverage[]): string[] {
  return files.flatMap(({ id, conflicts }) =>
    conflicts.length === 0
      ? []
      : [
          `File ${id}: ${conflicts.length} segment${conflicts.length === 1 ? '' : 's'} arrived with different contents, each with a valid CRC; decided by ${conflicts[0]!.decided === 'undecided' ? 'nothing yet' : `the ${conflicts[0]!.decided}`}.`,
        ],
  );
}

function editionNotes(editions: readonly Edition[], { mission }: Ledger): string[] {
  return editions.flatMap(({ file, edition }) =>
    edition === 2
      ? [`File number ${fileLabel(mission, file)} was used again for other content: its editions are kept apart.`]
      : [],
  );
}

function undrawnNote({ coverage: { name, path }, failed }: FileOutput): string[] {
  return failed === undefined ? [] : [`${name} could not be drawn, and lies untouched in ${path}: ${failed}.`];
}

function leftNote(files: number): string {
  const what = files === 1 ? '1 file is' : `${files} files are`;
  return `${what} not drawn as far as received: \`passweave report\` draws the rest.`;
}

function thumbnailsOf(outputs: readonly FileOutput[]): Map<string, Thumbnail> {
  return new Map(outputs.flatMap(({ coverage, thumbnail }) => (thumbnail ? [[coverage.id, thumbnail] as const] : [])));
}

function clipsOf(outputs: readonly FileOutput[]): CampaignCoverage['clips'] {
  return new Map(
    outputs.flatMap(({ coverage, frames }) =>
      frames ? [[coverage.id, frames.map((run) => [run.count, run.class] as const)] as const] : [],
    ),
  );
}

function compare(a: string, b: string): number {
  return a === b ? 0 : a < b ? -1 : 1;
}
