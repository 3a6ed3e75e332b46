// Writes what became of each file: whole ones to files/, incomplete ones to partial/ with their gaps, and what can be looked at of
// those to salvage/. What did not change since the last run is not written again.
import { createHash } from 'node:crypto';
import fs from 'node:fs';
import path from 'node:path';
import { firstLast, rangePairs } from '../bytes/ranges.js';
import { type Assembly, assemble } from '../files/assemble.js';
import { type Edition, keysOf, receivedOf } from '../files/edition.js';
import type { OutputFolder } from '../files/output-folder.js';
import { safeName, uniqueNames } from '../files/safe-name.js';
import type { Holdings } from '../ledger/holdings.js';
import { describeMedia } from '../media/describe.js';
import type { Tools } from '../media/ffmpeg.js';
import { readKnownHeader } from '../media/known-headers.js';
import { recogniseFile, recogniseMedia } from '../media/recognise.js';
import { type FrameRun, salvageMedia } from '../media/salvage.js';
import { sensorLayoutOf } from '../media/salvage-raw.js';
import { type Thumbnail, thumbnail } from '../media/thumbnail.js';
import { isFileDelivery } from '../mission/segmentation.js';
import type { FileCoverage } from './coverage.js';
import { OutputsCache } from './outputs-cache.js';

/** One file's part of the coverage, but for what the stations had of it. */
export type FileOutput = {
  readonly coverage: Omit<FileCoverage, 'stations'>;
  readonly thumbnail: Thumbnail | null;
  /** What arrived of it is a clip. */
  readonly isClip: boolean;
  /** What became of each frame of an incomplete clip: runs of frames of one class. */
  readonly frames: readonly FrameRun[] | null;
  /** What a whole file lends to others whose header is lost, in base64. */
  readonly header: { readonly kind: 'picture' | 'video'; readonly bytes: string } | null;
  /** Files written for it, below the output folder. */
  readonly written: readonly string[];
};

/** How incomplete pictures and clips are shown. */
export type ShowOptions = {
  /** Also fill the holes of pictures by interpolation, in a file of its own; default false. */
  readonly conceal?: boolean;
  /** Frames of clips that are not as sent are marked, or the last good one is held. Default marked. */
  readonly damagedFrames?: 'marked' | 'held';
};

/** What salvage puts behind a file's name. */
const SALVAGE_ENDINGS = ['.png', '.mp4', '.jpg', '.grades.png', '.thumbnail.jpg', '.concealed.jpg'];

/** Goes up when what is written for the same segments changes. */
const OUTPUT_VERSION = 3;
/** Headers of whole files that are tried for others. */
const MAX_HEADERS = 16;

/** What the outputs are made with, beside the edition itself. */
type Making = {
  readonly ledger: Holdings;
  readonly folder: OutputFolder;
  readonly tools: Tools | null;
  readonly show: ShowOptions;
  readonly headers: { readonly picture: string[]; readonly video: string[] };
};

/** While recordings come in: writing and drawing incomplete files takes a share of the time, no more. */
export interface OutputPace {
  /** Whether the incomplete file `id`, which changed since it was written, is to be written again now. */
  isDue(id: string): boolean;
  /** It was written, and that took so long; 0 = it is not incomplete any more. */
  took(id: string, milliseconds: number): void;
}

/**
 * @param onFile called before each file is worked on, for progress
 * @param pace what waits is counted as it is now, and shown as it was written last; default: nothing waits
 * @returns one output per edition, in their order
 */
export async function writeFileOutputs(
  editions: readonly Edition[],
  ledger: Holdings,
  folder: OutputFolder,
  tools: Tools | null,
  show: ShowOptions = {},
  onFile: (done: number, name: string) => void = () => undefined,
  pace?: OutputPace,
): Promise<FileOutput[]> {
  const cache = new OutputsCache(ledger.folder, folder);
  const names = outputNames(editions, ledger);
  cache.announce([...names.values()].map((name) => [name, namesFor(name)] as const));
  const making: Making = { ledger, folder, tools, show, headers: { picture: [], video: [] } };
  const outputs = new Map<string, FileOutput>();
  const make = async (edition: Edition, isPartial: boolean): Promise<void> => {
    const { id } = edition;
    const name = names.get(id)!;
    onFile(outputs.size, name);
    const signature = signatureOf(edition, name, making, isPartial);
    const current = cache.find(id, signature);
    const standing = !current && isPartial && pace?.isDue(id) === false ? cache.standing(id) : undefined;
    const recounted = standing && recount(standing, edition, name, ledger);
    if (recounted) cache.leave(id);
    const began = performance.now();
    const output = recounted ?? current ?? (await writeOutput(edition, name, making));
    if (!recounted && !current) {
      pace?.took(id, output.coverage.state === 'partial' ? performance.now() - began : 0);
    }
    // Reading may have struck out segments that the disk lost: the signature is of what was written.
    if (!recounted) cache.keep(id, current ? signature : signatureOf(edition, name, making, isPartial), output);
    outputs.set(id, output);
  };
  const partial = editions.filter((edition) => isIncomplete(edition, ledger));
  const incomplete = new Set(partial);
  for (const edition of editions) if (!incomplete.has(edition)) await make(edition, false);
  // Whole files before the others, whose own headers may be lost.
  for (const edition of editions) lendHeader(outputs.get(edition.id)?.header ?? null, making);
  for (const edition of partial) await make(edition, true);
  await cache.save();
  return editions.map(({ id }) => outputs.get(id)!);
}

function isIncomplete(edition: Edition, ledger: Holdings): boolean {
  return edition.total === 0 || receivedOf(edition, ledger).segments < edition.total;
}

function lendHeader(header: FileOutput['header'], { headers }: Making): void {
  if (!header) return;
  const known = headers[header.kind];
  if (known.length < MAX_HEADERS && !known.includes(header.bytes)) known.push(header.bytes);
}

/** All that may be written for a file of this name. */
function namesFor(name: string): string[] {
  return [
    `files/${name}`,
    `partial/${name}`,
    `partial/${name}.gaps.json`,
    ...SALVAGE_ENDINGS.map((ending) => `salvage/${name}${ending}`),
  ];
}

/** The output as it stands, with the counts of today; `null` where the file is no longer incomplete. */
function recount(output: FileOutput, edition: Edition, name: string, ledger: Holdings): FileOutput | null {
  const assembly = assemble(edition, ledger);
  if (assembly.state !== 'partial') return null;
  return { ...output, coverage: { ...output.coverage, ...factsOf(assembly, edition, name, ledger) } };
}

function factsOf(
  assembly: Assembly,
  { id, file, edition }: Edition,
  name: string,
  ledger: Holdings,
): Omit<FileOutput['coverage'], 'path' | 'media' | 'salvage'> {
  const { bytes, state, checksum, conflicts } = assembly;
  const segments = {
    total: assembly.total,
    received: assembly.received,
    unit: ledger.byOffset ? ('byte' as const) : ('segment' as const),
    missing: firstLast(assembly.missing),
  };
  return { id, file, edition, name, bytes, state, checksum, segments, conflicts };
}

async function writeOutput(edition: Edition, name: string, making: Making): Promise<FileOutput> {
  const { ledger, folder, tools, show, headers } = making;
  let assembly: Assembly;
  let target: string | null;
  let lost: number;
  do {
    lost = ledger.lostSegments;
    assembly = assemble(edition, ledger);
    const whole = assembly.state === 'whole' || assembly.state === 'unproven';
    // An empty file has nothing to receive.
    target = assembly.received === 0 && !whole ? null : `${whole ? 'files' : 'partial'}/${name}`;
    if (target && ledger.lostSegments === lost) folder.write(target, assembly.emit);
  } while (ledger.lostSegments !== lost);
  const written: string[] = target ? [target] : [];
  const base = { ...factsOf(assembly, edition, name, ledger), path: target };
  const coverage = { ...base, media: null, salvage: null };
  const nothingShown = { coverage, thumbnail: null, frames: null, header: null, written };
  if (!target) return { ...nothingShown, isClip: false };
  const absolute = folder.resolve(target);
  const format = await recogniseFile(absolute);
  const isClip = format.kind === 'video';
  const sensor = sensorLayoutOf(name, ledger.mission.files.sensors ?? []);
  if (target.startsWith('files/')) {
    const header = await readKnownHeader(absolute, format);
    return {
      coverage: { ...base, media: await describeMedia(absolute, tools, sensor), salvage: null },
      thumbnail: await thumbnail(absolute, format, tools, sensor),
      isClip,
      frames: null,
      header: header && { kind: header.kind, bytes: header.bytes.toString('base64') },
      written,
    };
  }
  const gaps = rangePairs(assembly.gaps);
  const gapsFile = `${target}.gaps.json`;
  const gapsText = { format: 'passweave-gaps/1', name, bytes: assembly.bytes, missing: gaps };
  folder.writeText(gapsFile, `${JSON.stringify(gapsText)}\n`);
  written.push(gapsFile);
  const bytes = assembly.bytes ?? fs.statSync(absolute).size + 1;
  const fromBase64 = (known: readonly string[]): Buffer[] => known.map((header) => Buffer.from(header, 'base64'));
  const salvaged = await salvageMedia({
    path: absolute,
    gaps,
    bytes,
    outBase: folder.resolve(`salvage/${name}`),
    tools,
    sensor,
    knownHeaders: fromBase64(headers.picture),
    knownParameterSets: fromBase64(headers.video),
    ...show,
  });
  if (!salvaged) return { ...nothingShown, isClip };
  const relative = (file: string): string => `salvage/${path.basename(file)}`;
  written.push(relative(salvaged.path), ...salvaged.also.map(relative));
  return {
    coverage: { ...base, media: null, salvage: { path: relative(salvaged.path), note: salvaged.note } },
    thumbnail: await thumbnail(salvaged.path, await recogniseFile(salvaged.path), tools),
    isClip,
    frames: salvaged.frames ?? null,
    header: null,
    written,
  };
}

/** Safe and unique names: as downlinked or catalogued, else the file number with the extension its content suggests. */
function outputNames(editions: readonly Edition[], ledger: Holdings): Map<string, string> {
  return uniqueNames(
    editions.map((edition) => {
      const name = safeName(edition.facts[0]?.name, fallbackName(edition, ledger));
      // Not as is called what stands beside incomplete files and what is salvaged of them.
      const own = name.replace(/\.gaps\.json$/i, '.gaps_json');
      return { key: edition.id, name: own.replace(/\.(grades|thumbnail|concealed|exact|frame-\d+)$/i, '_$1') };
    }),
  );
}

function fallbackName(edition: Edition, ledger: Holdings): string {
  const { descriptor } = ledger.mission.files;
  if (descriptor?.file === edition.file) return `descriptor.${descriptor.format}`;
  const lane = edition.lanesOf(0)[0];
  const head = Buffer.alloc(ledger.payloadSize);
  if (edition.stored && lane) ledger.readSegments(edition.stored, lane, 0, 1, head);
  const { extension } = recogniseMedia(head.subarray(0, lane?.table.lengthOf(0) ?? 0));
  const kind = isFileDelivery(ledger.mission) ? 'transaction' : 'file';
  return `${kind}-${edition.id}${extension ? `.${extension}` : '.bin'}`;
}

/** Changes whenever what would be written changes: segments there and their contents, facts, name, and what it is made with. */
function signatureOf(edition: Edition, name: string, making: Making, isPartial: boolean): string {
  const { ledger, tools, show, headers } = making;
  const hash = createHash('sha1');
  if (isPartial) hash.update(JSON.stringify([headers, show]));
  const { total, facts, conflicts } = edition;
  const sensor = sensorLayoutOf(name, ledger.mission.files.sensors ?? []);
  hash.update(JSON.stringify([OUTPUT_VERSION, name, tools !== null, sensor, total, facts, conflicts]));
  let part: number[] = [];
  for (const key of keysOf(edition)) {
    const { table } = edition.lanesOf(key)[0]!;
    part.push(key, table.crcOf(key));
    if (part.length < 8192) continue;
    hash.update(Float64Array.from(part));
    part = [];
  }
  return hash.update(Float64Array.from(part)).digest('hex');
}
