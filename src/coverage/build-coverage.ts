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
import { type FileOutput, type OutputPace, type ShowOptions, writeFileOutputs } from './file-outputs.js';
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

/** Where every stretch of every recording of the ledger belongs, by the recording's SHA-256. */
export function placeLedger(ledger: Ledger): Map<string, Placement[]> {
  const { counterBits, varies } = ledger.segmentation;
  const heard = varies ? comparableRuns(ledger.receptions.values()) : [...ledger.receptions.values()];
  return counterBits > 0 ? placeTransmissions(heard, counterBits, frameSeconds(ledger.mission)) : placeApart(heard);
}

/**
 * Writes the files of the output folder and counts what is in and what is missing.
 *
 * @param tools `null` where there is no ffmpeg: clips are then not described
 * @param pace which incomplete files wait; default none. The ledger must not change meanwhile.
 */
export async function buildCoverage(
  ledger: Ledger,
  folder: OutputFolder,
  tools: Tools | null,
  onFile?: (done: number, total: number, name: string) => void,
  show: ShowOptions = {},
  pace?: OutputPace,
): Promise<CampaignCoverage> {
  const placements = placeLedger(ledger);
  const { holdings, facts: known, notes: deliveryNotes } = openFiles(ledger, placements);
  const facts = [...known, ...descriptorFacts(holdings, placements)];
  const { editions, notes } = findFileEditions(holdings, placements, facts);
  const tell = (done: number, name: string): void => onFile?.(done, editions.length, name);
  const outputs = await writeFileOutputs(editions, holdings, folder, tools, show, tell, pace);
  const stations = stationReceptions(holdings, placements, editions);
  const { rows, transmissions } = stationCoverage(stations, ledger.segmentation.counterBits > 0);
  const files = outputs.map(({ coverage }, i): FileCoverage => {
    const held = stations.map(
      ({ name, segments }) => [name, rangesLength(segments.get(editions[i]!.id) ?? [])] as const,
    );
    return { ...coverage, stations: Object.fromEntries(held) };
  });
  const recordings = [...ledger.receptions.values()].sort(
    (a, b) => compare(a.station, b.station) || compare(a.name, b.name) || compare(a.sha256, b.sha256),
  );
  const coverage: Coverage = {
    format: 'passweave-coverage/1',
    mission: ledger.mission.name,
    stations: rows,
    recordings: recordings.map(({ station, name, sha256, bytes, frames, problems }) => {
      return { station, name, sha256, bytes, frames: { ...frames }, problems: [...problems] };
    }),
    files,
    totals: {
      files: countStates(files),
      segments: countSegments(files),
      bytes: { whole: files.reduce((sum, { state, bytes }) => sum + (state === 'whole' ? (bytes ?? 0) : 0), 0) },
      frames: {
        read: rows.reduce((sum, { frames }) => sum + frames.read, 0),
        intact: rows.reduce((sum, { frames }) => sum + frames.intact, 0),
        damaged: rows.reduce((sum, { frames }) => sum + frames.damaged, 0),
      },
      transmissions,
    },
    notes: [
      ...notes,
      ...deliveryNotes,
      ...conflictNotes(files),
      ...editionNotes(editions, ledger),
      ...(tools === null && outputs.some(({ isClip }) => isClip) ? [ffmpegMissing] : []),
      ...ledger.lossNotes(),
      ...ledger.notes,
    ],
  };
  return {
    coverage,
    missing: missingRanges(files, editions, sentLines(holdings, placements)),
    strips: receptionStrips(editions, files, holdings, placements),
    thumbnails: thumbnailsOf(outputs),
    clips: clipsOf(outputs),
    details: campaignDetails(ledger, placements, stations, files),
  };
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
