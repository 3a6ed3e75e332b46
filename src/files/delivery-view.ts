// A ledger of a file delivery, seen as if its files had come under numbers of their own: transactions that brought the same file are
// one, and one that brought several files is several. Files and coverage are then made of it as of any ledger. Nothing is written.
import type { Holdings } from '../ledger/holdings.js';
import type { Ledger } from '../ledger/ledger.js';
import type { Reception } from '../ledger/reception-file.js';
import type { StoredFile } from '../ledger/stored-file.js';
import type { FileFacts } from '../mission/mission.js';
import { fileLabel } from '../mission/segmentation.js';
import { type Run, storedId } from '../segments/run.js';
import type { Placements } from '../segments/transmission.js';
import { deliveredAlgorithm } from './checksum.js';
import { type DeliveredFile, joinSendings } from './delivered-files.js';
import { findSendings, type Sending, type SentFacts } from './sendings.js';

export type OpenedFiles = {
  readonly holdings: Holdings;
  /** What catalogue and delivery tell, the catalogue's first. */
  readonly facts: readonly FileFacts[];
  readonly notes: readonly string[];
};

/** What files and coverage are made of: the ledger itself or, of a file delivery, the view of it. */
export function openFiles(ledger: Ledger, placements: Placements): OpenedFiles {
  const { catalogue } = ledger.mission.files;
  if (!ledger.segmentation.varies) return { holdings: ledger, facts: catalogue, notes: [] };
  const sendings = findSendings(ledger, placements);
  const files = joinSendings(sendings, ledger).filter(isFile);
  const view = new DeliveryView(ledger, files);
  const numberOf = new Map(
    files.flatMap(({ sendings: own }) => own.map(({ file }) => [file, own[0]!.file] as const)).reverse(),
  );
  const catalogued = catalogue.map((facts) => ({ ...facts, file: numberOf.get(facts.file) ?? facts.file }));
  return {
    holdings: view,
    facts: [...catalogued, ...view.facts],
    notes: [...cancelNotes(sendings, ledger), ...countNotes(ledger)],
  };
}

/** A transaction may also carry requests alone: then it names no file, and brings none. */
function isFile({ facts, content }: DeliveredFile): boolean {
  return content.lanes.length > 0 || (facts.name !== '' && (facts.name ?? facts.bytes) !== null);
}

/** No instance of a file: runs of it bring none. */
const NO_FILE = -1;

class DeliveryView implements Holdings {
  readonly files: Map<string, StoredFile> = new Map();
  readonly receptions: Map<string, Reception> = new Map();
  readonly facts: FileFacts[] = [];
  readonly #ledger: Ledger;
  readonly #contents = new Map<StoredFile, DeliveredFile['content']>();
  /** Segments that reading did not find where they were. */
  #lost = 0;
  /** The longest segment of any file. */
  readonly #longest: number;

  constructor(ledger: Ledger, files: readonly DeliveredFile[]) {
    this.#ledger = ledger;
    const seen = new Map<
      Run,
      { stored: StoredFile; instance: number | undefined; content: DeliveredFile['content'] }
    >();
    for (const { facts, sendings, content } of files) {
      const file = sendings[0]!.file;
      const segments = facts.bytes ?? 0;
      let instance: number | undefined;
      while (this.files.has(storedId({ file, segments, ...(instance && { instance }) })))
        instance = (instance ?? 0) + 1;
      const id = storedId({ file, segments, ...(instance && { instance }) });
      const stored = { id, file, segments, lanes: [...content.lanes] };
      this.files.set(id, stored);
      this.#contents.set(stored, content);
      this.facts.push({ file, stored: id, ...fileFacts(facts) });
      for (const { runs } of sendings) for (const run of runs) seen.set(run, { stored, instance, content });
    }
    const longest = [...this.files.values()].reduce((most, stored) => Math.max(most, longestOf(stored)), 0);
    this.#longest = longest || ledger.payloadSize;
    for (const [xxh64, reception] of ledger.receptions) {
      const runs = reception.runs.flatMap((run): Run[] => {
        // At the end of a file or the beginning of the next, whichever it is.
        if (this.isDirective(run)) return [{ ...run, key: 0, instance: NO_FILE }];
        const found = seen.get(run);
        if (!found) return [run];
        const { stored, instance, content } = found;
        const { file, segments } = stored;
        const step = run.count > 1 ? run.step : this.fullLength(stored);
        const moved: Run = { ...run, file, segments, step, ...(instance && { instance }) };
        return this.#inLanes(run, moved, content);
      });
      this.receptions.set(xxh64, { ...reception, runs });
    }
  }

  get folder(): string {
    return this.#ledger.folder;
  }

  get mission(): Ledger['mission'] {
    return this.#ledger.mission;
  }

  get notes(): string[] {
    return this.#ledger.notes;
  }

  get lostSegments(): number {
    return this.#ledger.lostSegments + this.#lost;
  }

  get segmentation(): Ledger['segmentation'] {
    return this.#ledger.segmentation;
  }

  get byOffset(): boolean {
    return this.#ledger.byOffset;
  }

  get payloadSize(): number {
    return this.#ledger.payloadSize;
  }

  fullLength(stored: StoredFile | null): number {
    return (stored && longestOf(stored)) || this.#longest;
  }

  isDirective(run: { readonly segments: number; readonly lane: number }): boolean {
    return this.#ledger.isDirective(run);
  }

  nextKey(lane: Parameters<Ledger['nextKey']>[0], key: number): number {
    return this.#ledger.nextKey(lane, key);
  }

  positionOf(key: number): number {
    return this.#ledger.positionOf(key);
  }

  readSegments(...[stored, lane, key, count, into]: Parameters<Ledger['readSegments']>): void {
    const content = this.#contents.get(stored)!;
    const before = content.lost;
    content.read(lane, key, count, into);
    this.#lost += content.lost - before;
  }

  lossNotes(): string[] {
    return this.#ledger.lossNotes();
  }

  /** The run in the joined lanes: cut where its segments went to different ones. */
  #inLanes(run: Run, moved: Run, content: DeliveredFile['content']): Run[] {
    const lane = this.#ledger.files.get(storedId(run))?.lanes[run.lane];
    if (!lane) return [moved];
    if (content.isInFirst(lane)) return [{ ...moved, lane: 0 }];
    const parts: Run[] = [];
    for (let i = 0; i < run.count; i++) {
      const key = run.key + i * run.step;
      const index = content.laneOf(lane, key);
      const last = parts.at(-1);
      if (last?.lane === index) last.count++;
      else parts.push({ ...moved, counter: run.counter + i, count: 1, key, lane: index });
    }
    return parts;
  }
}

function longestOf({ lanes }: StoredFile): number {
  return lanes.reduce((most, { table }) => Math.max(most, table.fullLength), 0);
}

function fileFacts({ name, bytes, checksumType, checksum }: SentFacts): Pick<FileFacts, 'name' | 'bytes' | 'checksum'> {
  // Without its type a checksum of 0 may be none at all.
  const isNone = checksum === null || (checksum === 0 && checksumType === null && bytes !== 0);
  const algorithm = isNone ? undefined : deliveredAlgorithm(checksumType);
  return {
    ...(name && { name }),
    ...(bytes !== null && { bytes }),
    ...(algorithm && { checksum: { algorithm, value: checksum!.toString(16).padStart(8, '0') } }),
  };
}

function cancelNotes(sendings: readonly Sending[], { mission }: Ledger): string[] {
  return sendings.flatMap(({ file, condition }) =>
    condition > 0
      ? [
          `Transaction ${fileLabel(mission, file)} was cancelled by its sender (condition code ${condition}); what it sent before is used.`,
        ]
      : [],
  );
}

function countNotes({ segmentation, receptions }: Ledger): string[] {
  if (segmentation.counterBits > 0 || receptions.size < 2) return [];
  return [
    'Nothing in these recordings counts transmissions (no layer packets with an apid right below cfdp): whether two stations heard the same sending is not told, and is counted neither as duplicate nor as repeat.',
  ];
}
