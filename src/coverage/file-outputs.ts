// What became of each file: whole ones in files/, incomplete ones in partial/ with their gaps, and what can be looked at of those in
// salvage/. What did not change is not written again. Drawing is the work of other threads: a run waits for it, a watch does not and
// shows meanwhile what was drawn last, with the counts of now.
import { createHash } from 'node:crypto';
import { type Edition, receivedOf } from '../files/edition.js';
import type { OutputFolder } from '../files/output-folder.js';
import type { Holdings } from '../ledger/holdings.js';
import type { Drawing, Undrawn } from '../media/draw.js';
import { DrawingThreads, type DrawingThreadsOptions } from '../media/drawing-threads.js';
import type { Tools } from '../media/ffmpeg.js';
import { sensorLayoutOf } from '../media/salvage-raw.js';
import { parameterSetBytes } from '../mission/parameter-sets.js';
import type { FileCoverage } from './coverage.js';
import { clearDrawingPlaces, DrawingPlace, salvagePath } from './drawing-place.js';
import { DrawingTurns } from './drawing-turns.js';
import { outputNames, pathsFor } from './output-names.js';
import { contentState, OutputSignatures } from './output-signature.js';
import { OutputsCache } from './outputs-cache.js';
import { countEdition, type FileCounts, type WrittenEdition, writeEdition } from './write-edition.js';

/** One file's part of the coverage, but for what the stations had of it. */
export type FileOutput = Pick<Drawing, 'thumbnail' | 'isClip' | 'frames' | 'header'> & {
  readonly coverage: Omit<FileCoverage, 'stations'>;
  /** Files written for it, below the output folder. */
  readonly written: readonly string[];
  /** Why it was not drawn, in words that end a sentence; absent = it was, or is still to be. */
  readonly failed?: string;
};

/** How incomplete pictures and clips are shown. */
export type ShowOptions = {
  /** Also fill the holes of pictures by interpolation, in a file of its own; default false. */
  readonly conceal?: boolean;
  /** Frames of clips that are not as sent are marked, or the last good one is held. Default marked. */
  readonly damagedFrames?: 'marked' | 'held';
};

export type FileOutputsOptions = DrawingThreadsOptions & {
  readonly tools: Tools | null;
  readonly show?: ShowOptions;
};

export type MakeOptions = {
  /** Called before each file is worked on, for progress. */
  readonly onFile?: (done: number, name: string) => void;
  /** Take a share of the time, and wait for no drawing. Default false: all is drawn when it is done. */
  readonly isBeside?: boolean;
  /** By `performance.now()`: what is not drawn by then is left as it stands; default never. */
  readonly until?: number;
};

/** Headers of whole files that are tried for others. */
const MAX_HEADERS = 16;
/** Beside other work: for writing incomplete files, each time; one is always written. */
const WRITING_MS = 100;
const SAVE_MS = 10_000;
const NOTHING_DRAWN = { thumbnail: null, isClip: false, frames: null, header: null };

/** A file that is being drawn. */
type Flight = {
  readonly signature: string;
  readonly made: WrittenEdition;
  readonly isPartial: boolean;
  readonly place: DrawingPlace;
  drawn: Drawing | Undrawn | undefined;
  readonly done: Promise<void>;
};

/** One edition in one `make`. */
type Item = {
  readonly edition: Edition;
  readonly name: string;
  readonly isPartial: boolean;
  /** What else it is made with, all that are made together. */
  readonly making: string;
  signature: string;
};

/** Of one open ledger and one output folder. */
export class FileOutputs {
  /** Files that changed since they were drawn, the last time. */
  waiting = 0;
  readonly #folder: OutputFolder;
  readonly #options: FileOutputsOptions;
  readonly #threads: DrawingThreads;
  readonly #cache: OutputsCache;
  readonly #signatures = new OutputSignatures();
  readonly #turns = new DrawingTurns();
  readonly #flights = new Map<string, Flight>();
  /** By edition: counted in which state. */
  readonly #counts = new Map<string, { readonly state: string; readonly counts: FileCounts }>();
  /** By edition: as of the last time. */
  #last = new Map<string, FileOutput>();
  /** By edition: what was shown of it while it waited to be drawn. */
  readonly #waitingAs = new Map<
    string,
    { readonly counts: FileCounts; readonly made: unknown; readonly output: FileOutput }
  >();
  readonly #extensions = new Map<string, string>();
  #headers = { picture: [] as string[], video: [] as string[] };
  #isBeside = false;
  #places = 0;
  #savedAt = 0;

  constructor(ledgerFolder: string, folder: OutputFolder, options: FileOutputsOptions) {
    this.#folder = folder;
    this.#options = options;
    this.#threads = new DrawingThreads(options);
    this.#cache = new OutputsCache(ledgerFolder, folder);
    clearDrawingPlaces(folder);
  }

  /** @returns one output per edition, in their order */
  async make(editions: readonly Edition[], ledger: Holdings, options: MakeOptions = {}): Promise<FileOutput[]> {
    const { isBeside = false } = options;
    this.#isBeside = isBeside;
    const names = outputNames(editions, ledger, this.#extensions);
    this.#cache.announce([...names.values()].flatMap(pathsFor));
    this.#headers = { picture: [], video: [] };
    this.waiting = 0;
    const outputs = new Map<string, FileOutput>();
    // Whole files before the others, whose own headers may be lost.
    const incomplete = new Set(editions.filter((edition) => isIncomplete(edition, ledger)));
    for (const isPartial of [false, true]) {
      const making = this.#making(isPartial, ledger);
      const items = editions
        .filter((edition) => incomplete.has(edition) === isPartial)
        .map((edition): Item => {
          const own = { edition, name: names.get(edition.id)!, isPartial, making, signature: '' };
          return { ...own, signature: this.#signature(own, ledger) };
        });
      if (isBeside) this.#makeBeside(items, ledger, outputs);
      else await this.#makeAll(items, ledger, outputs, options);
      for (const { edition } of items) this.#lendHeader(outputs.get(edition.id)!);
    }
    const all = editions.map(({ id }) => outputs.get(id)!);
    this.#last = outputs;
    this.#cache.clear(all);
    if (!isBeside || performance.now() - this.#savedAt > SAVE_MS) {
      await this.#cache.save(outputs.keys(), !isBeside);
      this.#savedAt = performance.now();
    }
    return all;
  }

  /** Gives up what is being drawn. */
  async close(): Promise<void> {
    await this.#threads.close();
    clearDrawingPlaces(this.#folder);
  }

  async #makeAll(items: readonly Item[], ledger: Holdings, outputs: Map<string, FileOutput>, options: MakeOptions) {
    const { onFile = () => undefined, until = Number.POSITIVE_INFINITY } = options;
    const isOver = (): boolean => performance.now() >= until;
    const running = new Set<Promise<void>>();
    let done = outputs.size;
    for (const item of items) {
      onFile(done, item.name);
      const flight = this.#current(item) ? undefined : (this.#sameFlight(item) ?? this.#write(item, ledger));
      if (!flight) {
        done++;
        continue;
      }
      const drawing = flight.done.finally(() => {
        running.delete(drawing);
        onFile(++done, item.name);
      });
      running.add(drawing);
      if (running.size >= 2 * this.#threads.most && !isOver()) await within(Promise.race(running), until);
    }
    if (!isOver()) await within(Promise.all(running), until);
    for (const item of items) outputs.set(item.edition.id, this.#current(item) ?? this.#leave(item, ledger));
  }

  #makeBeside(items: readonly Item[], ledger: Holdings, outputs: Map<string, FileOutput>): void {
    const changed = new Map<string, Item>();
    for (const item of items) {
      this.#land(item);
      if (this.#current(item) || this.#sameFlight(item)) continue;
      if (!item.isPartial) this.#write(item, ledger);
      // One at a time of each file.
      else if (!this.#flights.has(item.edition.id)) changed.set(item.edition.id, item);
    }
    const began = performance.now();
    for (const id of this.#turns.next(changed.keys())) {
      const isFull = [...this.#flights.values()].filter(({ drawn }) => !drawn).length > this.#threads.most;
      const start = performance.now();
      if (isFull || start - began > WRITING_MS) break;
      this.#write(changed.get(id)!, ledger);
      this.#turns.took(id, performance.now() - start);
    }
    for (const item of items) outputs.set(item.edition.id, this.#current(item) ?? this.#standing(item, ledger));
  }

  /** What was made of just this. */
  #current(item: Item): FileOutput | undefined {
    this.#land(item);
    return this.#cache.find(item.edition.id, item.signature, this.#isBeside);
  }

  #sameFlight({ edition, signature }: Item): Flight | undefined {
    const flight = this.#flights.get(edition.id);
    return flight?.signature === signature ? flight : undefined;
  }

  /** Takes over what has been drawn of a file, be it of its present state or an earlier one. */
  #land({ edition: { id }, name, isPartial }: Item): void {
    const flight = this.#flights.get(id);
    if (!flight) return;
    const { signature, made, place, drawn } = flight;
    // What is whole by now, or has another name, needs no picture of what it was.
    const isOutdated = made.counts.name !== name || flight.isPartial !== isPartial;
    if (!drawn && !isOutdated) return;
    this.#flights.delete(id);
    if (drawn && !isOutdated) this.#keep(id, signature, made, drawn, place);
    if (drawn) place.discard();
    else flight.done.then(() => place.discard());
  }

  #keep(id: string, signature: string, made: WrittenEdition, drawn: Drawing | Undrawn, place: DrawingPlace): void {
    const { counts, target, written } = made;
    const base = { ...counts, path: target, media: null, salvage: null };
    if ('failed' in drawn) {
      const { failed } = drawn;
      this.#remember(id, signature, { ...NOTHING_DRAWN, coverage: base, written, failed });
      return;
    }
    const { media, salvage, thumbnail, isClip, frames, header } = drawn;
    const files = salvage ? [salvage.path, ...salvage.also] : [];
    const placed = files.map(salvagePath);
    this.#cache.announce(placed);
    place.take(files);
    const shown = salvage && { path: salvagePath(salvage.path), note: salvage.note };
    const coverage = { ...base, media, salvage: shown };
    const all = [...written, ...placed];
    this.#remember(id, signature, { coverage, thumbnail, isClip, frames, header, written: all });
  }

  #remember(id: string, signature: string, output: FileOutput): void {
    this.#cache.keep(id, signature, output);
    this.#last.set(id, output);
  }

  /** Writes the file and asks for its drawing. @returns nothing where there is nothing to draw */
  #write(item: Item, ledger: Holdings): Flight | undefined {
    const { edition, name, isPartial } = item;
    const { id } = edition;
    const before = this.#flights.get(id);
    if (before) {
      this.#flights.delete(id);
      before.done.then(() => before.place.discard());
    }
    const made = writeEdition(edition, name, ledger, this.#folder);
    this.#cache.wrote(made.written);
    // Reading may have struck out segments that the disk lost: the signature is of what was written.
    item.signature = this.#signature(item, ledger);
    const { signature } = item;
    if (!made.target) {
      const coverage = { ...made.counts, path: null, media: null, salvage: null };
      this.#cache.keep(id, signature, { ...NOTHING_DRAWN, coverage, written: [] });
      return undefined;
    }
    const place = new DrawingPlace(this.#folder, made.target, this.#places++);
    const fromBase64 = (known: readonly string[]): Buffer[] => known.map((header) => Buffer.from(header, 'base64'));
    const { tools, show } = this.#options;
    const { parameterSets = [] } = ledger.mission.files;
    const holes = made.holes && {
      ...made.holes,
      outBase: place.outBase,
      knownHeaders: fromBase64(this.#headers.picture),
      knownParameterSets: [...fromBase64(this.#headers.video), ...parameterSets.map(parameterSetBytes)],
      ...show,
    };
    const drawing = this.#threads.draw({ path: place.input, tools, sensor: sensorOf(name, ledger), holes });
    const flight: Flight = {
      signature,
      made,
      isPartial,
      place,
      drawn: undefined,
      done: drawing.then((drawn) => {
        flight.drawn = drawn;
      }),
    };
    this.#flights.set(id, flight);
    return flight;
  }

  /** As it was shown last, with the counts of now. */
  #standing({ edition, name, isPartial }: Item, ledger: Holdings): FileOutput {
    this.waiting++;
    const made = this.#flights.get(edition.id)?.made;
    const last = this.#last.get(edition.id) ?? this.#cache.standing(edition.id);
    const before = last?.coverage.name === name ? last : undefined;
    const counts = this.#count(edition, name, ledger);
    const known = this.#waitingAs.get(edition.id);
    if (known && known.output === last && known.counts === counts && known.made === made) return last;
    const path = made ? made.target : isPartial ? (before?.coverage.path ?? null) : null;
    const salvage = isPartial ? (before?.coverage.salvage ?? null) : null;
    const coverage = { ...counts, path, media: null, salvage };
    const written = new Set([...(made?.written ?? []), ...(isPartial ? (before?.written ?? []) : [])]);
    const { thumbnail = null, isClip = false, frames = null } = before ?? {};
    const shown = { thumbnail, isClip, frames: isPartial ? frames : null, header: null };
    const output = { ...shown, coverage, written: [...written] };
    this.#waitingAs.set(edition.id, { counts, made, output });
    return output;
  }

  /** It was not drawn in time, and will be when this is made again. */
  #leave(item: Item, ledger: Holdings): FileOutput {
    const output = this.#standing(item, ledger);
    this.#cache.keep(item.edition.id, '', output);
    return output;
  }

  #count(edition: Edition, name: string, ledger: Holdings): FileCounts {
    const content = contentState(edition, ledger);
    if (content === null) return countEdition(edition, name, ledger);
    const state = JSON.stringify([content, name, edition.facts]);
    const known = this.#counts.get(edition.id);
    if (known?.state === state) return known.counts;
    const counts = countEdition(edition, name, ledger);
    this.#counts.set(edition.id, { state, counts });
    return counts;
  }

  #making(isPartial: boolean, { mission }: Holdings): string {
    const { tools, show = {} } = this.#options;
    const making = [tools !== null, isPartial ? [this.#headers, show, mission.files.parameterSets ?? []] : null];
    return createHash('sha1').update(JSON.stringify(making)).digest('hex');
  }

  #signature({ edition, name, making }: Item, ledger: Holdings): string {
    return this.#signatures.of(edition, name, [making, sensorOf(name, ledger) ?? null], ledger);
  }

  #lendHeader({ header }: FileOutput): void {
    if (!header) return;
    const known = this.#headers[header.kind];
    if (known.length < MAX_HEADERS && !known.includes(header.bytes)) known.push(header.bytes);
  }
}

function isIncomplete(edition: Edition, ledger: Holdings): boolean {
  const { total, stored } = edition;
  const received = stored?.lanes.length === 1 ? stored.lanes[0]!.table.size : receivedOf(edition, ledger).segments;
  return total === 0 || received < total;
}

function sensorOf(name: string, { mission }: Holdings): ReturnType<typeof sensorLayoutOf> {
  return sensorLayoutOf(name, mission.files.sensors ?? []);
}

/** Waits for `work`, but no longer than until the given `performance.now()`. */
async function within(work: Promise<unknown>, until: number): Promise<void> {
  if (until === Number.POSITIVE_INFINITY) {
    await work;
    return;
  }
  let timer: NodeJS.Timeout | undefined;
  const over = new Promise<void>((end) => {
    timer = setTimeout(end, Math.max(0, until - performance.now()));
  });
  await Promise.race([work, over]);
  clearTimeout(timer);
}
