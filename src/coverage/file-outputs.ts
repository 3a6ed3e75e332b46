// Writes what became of each file: whole ones to files/, incomplete ones to partial/ with their gaps, and what can be looked at of
// those to salvage/. What did not change since the last run is not written again.
import { createHash } from 'node:crypto';
import fs from 'node:fs';
import path from 'node:path';
import { firstLast, rangePairs } from '../bytes/ranges.js';
import { type Assembly, assemble } from '../files/assemble.js';
import { type Edition, keysOf } from '../files/edition.js';
import type { OutputFolder } from '../files/output-folder.js';
import { safeName, uniqueNames } from '../files/safe-name.js';
import { realDisk } from '../ledger/disk.js';
import type { Holdings } from '../ledger/holdings.js';
import { describeMedia } from '../media/describe.js';
import type { Tools } from '../media/ffmpeg.js';
import { recogniseFile, recogniseMedia } from '../media/recognise.js';
import { salvageMedia } from '../media/salvage.js';
import { type Thumbnail, thumbnail } from '../media/thumbnail.js';
import { isFileDelivery } from '../mission/segmentation.js';
import type { FileCoverage } from './coverage.js';

/** One file's part of the coverage, but for what the stations had of it. */
export type FileOutput = {
  readonly coverage: Omit<FileCoverage, 'stations'>;
  readonly thumbnail: Thumbnail | null;
  /** What arrived of it is a clip. */
  readonly isClip: boolean;
  /** Files written for it, below the output folder. */
  readonly written: readonly string[];
};

/** `sizes` of the files written, bytes, in their order. */
type Cache = Record<string, { signature: string; sizes: number[]; output: FileOutput }>;

/** Goes up when what is written for the same segments changes. */
const OUTPUT_VERSION = 2;

/**
 * @param onFile called before each file is worked on, for progress
 * @returns one output per edition, in their order
 */
export async function writeFileOutputs(
  editions: readonly Edition[],
  ledger: Holdings,
  folder: OutputFolder,
  tools: Tools | null,
  onFile: (done: number, name: string) => void = () => undefined,
): Promise<FileOutput[]> {
  const cacheFile = path.join(ledger.folder, 'outputs.json');
  const cache = readCache(cacheFile);
  const next: Cache = {};
  const names = outputNames(editions, ledger);
  const outputs: FileOutput[] = [];
  for (const edition of editions) {
    const name = names.get(edition.id)!;
    onFile(outputs.length, name);
    const signature = signatureOf(edition, name, tools !== null);
    const known = cache[edition.id];
    const current = known?.signature === signature && isInPlace(known, folder);
    const output = current ? known.output : await writeOutput(edition, name, ledger, folder, tools);
    // Reading may have struck out segments that the disk lost: the signature is of what was written.
    next[edition.id] = {
      signature: current ? signature : signatureOf(edition, name, tools !== null),
      sizes: output.written.map((relative) => folder.sizeOf(relative)),
      output,
    };
    outputs.push(output);
  }
  folder.removeStale(
    Object.values(cache).flatMap(({ output }) => output.written),
    new Set(outputs.flatMap(({ written }) => written)),
  );
  await folder.sync();
  realDisk.replace(cacheFile, JSON.stringify(next));
  return outputs;
}

async function writeOutput(
  edition: Edition,
  name: string,
  ledger: Holdings,
  folder: OutputFolder,
  tools: Tools | null,
): Promise<FileOutput> {
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
  const base = {
    id: edition.id,
    file: edition.file,
    edition: edition.edition,
    name,
    bytes: assembly.bytes,
    state: assembly.state,
    path: target,
    checksum: assembly.checksum,
    segments: {
      total: assembly.total,
      received: assembly.received,
      unit: ledger.byOffset ? ('byte' as const) : ('segment' as const),
      missing: firstLast(assembly.missing),
    },
    conflicts: assembly.conflicts,
  };
  const nothingShown = { coverage: { ...base, media: null, salvage: null }, thumbnail: null, written };
  if (!target) return { ...nothingShown, isClip: false };
  const absolute = folder.resolve(target);
  const format = await recogniseFile(absolute);
  const isClip = format.kind === 'video';
  if (target.startsWith('files/')) {
    const media = await describeMedia(absolute, tools);
    return {
      coverage: { ...base, media, salvage: null },
      thumbnail: await thumbnail(absolute, format, tools),
      isClip,
      written,
    };
  }
  const gaps = rangePairs(assembly.gaps);
  const gapsFile = `${target}.gaps.json`;
  const gapsText = { format: 'passweave-gaps/1', name, bytes: assembly.bytes, missing: gaps };
  folder.writeText(gapsFile, `${JSON.stringify(gapsText)}\n`);
  written.push(gapsFile);
  const bytes = assembly.bytes ?? fs.statSync(absolute).size + 1;
  const salvaged = await salvageMedia({
    path: absolute,
    gaps,
    bytes,
    outBase: folder.resolve(`salvage/${name}`),
    tools,
  });
  if (!salvaged) return { ...nothingShown, isClip };
  const relative = `salvage/${path.basename(salvaged.path)}`;
  written.push(relative);
  return {
    coverage: { ...base, media: null, salvage: { path: relative, note: salvaged.note } },
    thumbnail: await thumbnail(salvaged.path, await recogniseFile(salvaged.path), tools),
    isClip,
    written,
  };
}

/** Safe and unique names: as downlinked or catalogued, else the file number with the extension its content suggests. */
function outputNames(editions: readonly Edition[], ledger: Holdings): Map<string, string> {
  return uniqueNames(
    editions.map((edition) => {
      const name = safeName(edition.facts[0]?.name, fallbackName(edition, ledger));
      // Not as the lists of gaps are called, which stand beside the incomplete files.
      return { key: edition.id, name: name.replace(/\.gaps\.json$/i, '.gaps_json') };
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

/** Changes whenever what would be written changes: segments there and their contents, facts, name, tools. */
function signatureOf(edition: Edition, name: string, tools: boolean): string {
  const hash = createHash('sha1');
  hash.update(JSON.stringify([OUTPUT_VERSION, name, tools, edition.total, edition.facts, edition.conflicts]));
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

function isInPlace({ sizes, output }: Cache[string], folder: OutputFolder): boolean {
  return output.written.every((relative, i) => folder.sizeOf(relative) === sizes[i]);
}

function readCache(file: string): Cache {
  try {
    return JSON.parse(fs.readFileSync(file, 'utf8')) as Cache;
  } catch {
    return {};
  }
}
