// A rehearsal: sends a mission's files as the spacecraft would, lets each station hear and record them, and writes the recordings
// and the truth about them. Layers come from the mission file; the mission's frames must form one continuous stream in DVB-S2
// baseband frames (EN 302 307-1), for which the truth is simple arithmetic. Nothing is radiated.
import { existsSync, mkdirSync, readdirSync, readFileSync, writeFileSync } from 'node:fs';
import { basename, join, relative, sep } from 'node:path';
import { UsageError } from '../errors.js';
import { encodeChain } from '../layers/chain.js';
import type { Mission } from '../mission/mission.js';
import { type Beam, defaultBeam } from './beam.js';
import { type CarouselEvents, type CarouselFile, planCarousel, sendingAt, sendingFrame } from './carousel.js';
import { Channel, damageDataField } from './channel.js';
import { ChunkWriter, packStation, utcStamp } from './packaging.js';
import { type Random, seededRandom } from './random.js';
import { type Framing, Recorder } from './recorder.js';
import { defaultStations, type StationPlan } from './stations.js';
import { computeTruth, type RehearsalTruth, type StationAccount, type TruthRecording } from './truth.js';

export type RehearsalFile = { readonly file: number; readonly path: string };

export type RehearsalOptions = {
  readonly mission: Mission;
  /** A folder (its files get the catalogue's numbers, else 1, 2, … in the order of their names), or files with their numbers. */
  readonly files: string | readonly RehearsalFile[];
  /** Gets `recordings/` and `truth.json`; must not hold recordings yet. */
  readonly outDir: string;
  /** Same seed, same bytes. Default 1. */
  readonly seed?: number;
  /** Length of the campaign in rotations; default 8. */
  readonly rotations?: number;
  /** Length of the campaign in seconds, instead of rotations. */
  readonly seconds?: number;
  /** Default: four of them, see `defaultStations`. */
  readonly stations?: readonly StationPlan[];
  /** `null` = the antenna does not turn. Default: one that turns as the mission file says. */
  readonly beam?: Partial<Beam> | null;
  /** Counter at the start, a reboot, files replaced on board. */
  readonly events?: Omit<CarouselEvents, 'replacements'> & {
    readonly replacements?: readonly { readonly from: number; readonly file: number; readonly path: string }[];
  };
  /** When it begins, milliseconds since 1970 UTC; default 2027-03-14T02:15:00Z. */
  readonly startedAt?: number;
  /** Called now and then with the share done, 0 to 1. */
  readonly onProgress?: (done: number) => void;
};

const DEFAULT_STATIONS = ['saltmarsh', 'highfell', 'pinebarren', 'lowquay'];
const BASEBAND_HEADER_BYTES = 10;
const STATION_NAME = /^[A-Za-z0-9_-]{1,64}$/;

/**
 * Makes the recordings of a campaign.
 *
 * @returns the truth, as written to `truth.json`
 * @throws UsageError when the mission cannot be rehearsed as it is, or a file cannot be read
 */
export async function rehearse(options: RehearsalOptions): Promise<RehearsalTruth> {
  const { mission, outDir, seed = 1, startedAt = Date.UTC(2027, 2, 14, 2, 15) } = options;
  const { bitsPerSecond } = mission.downlink;
  if (bitsPerSecond === undefined) throw new UsageError('a rehearsal needs downlink.rate in the mission file');
  checkLayers(mission);
  const beam = chooseBeam(options);
  const seconds = options.seconds ?? (options.rotations ?? 8) * (beam?.periodSeconds ?? Number.NaN);
  if (!(seconds > 0)) {
    throw new UsageError(
      'the campaign has no length: give downlink.rotation in the mission file, or a number of seconds',
    );
  }
  const plans = options.stations ?? defaultStations(DEFAULT_STATIONS, seconds);
  const recordingsDir = join(outDir, 'recordings');
  checkStations(plans, recordingsDir);
  const stretches = planCarousel(mission, readFiles(mission, options.files), readEvents(options.events));

  const bytesPerSecond = bitsPerSecond / 8;
  let stations: StationSession[] = [];
  let framing: Framing | undefined;
  let frameNumber = 0;
  const encoder = encodeChain(mission.layers, (record) => {
    if (framing === undefined) {
      framing = {
        headerBytes: BASEBAND_HEADER_BYTES,
        dataBytes: record.length - BASEBAND_HEADER_BYTES,
        missionBytes: mission.frame.length,
      };
      const known = framing;
      stations = plans.map(
        (plan) => new StationSession(plan, { beam, framing: known, seed, startedAt, recordingsDir }),
      );
    }
    const time = (frameNumber * framing.dataBytes) / bytesPerSecond;
    if (time < seconds) for (const station of stations) station.hear(frameNumber, time, record);
    frameNumber += 1;
  });
  const framesSent = Math.ceil((seconds * bytesPerSecond) / mission.frame.length);
  for (let frame = 0; frame < framesSent; frame++) {
    encoder.push(sendingFrame(mission, sendingAt(mission, stretches, frame)));
    if (frame % 4096 === 0) options.onProgress?.(frame / framesSent);
  }
  if (framing === undefined) {
    throw new UsageError(
      'the campaign is too short: not one baseband frame was filled; give more rotations or seconds',
    );
  }
  const accounts: StationAccount[] = [];
  for (const station of stations) accounts.push(await station.finish(outDir));
  const truth = computeTruth(mission, stretches, framing, framesSent, accounts, {
    seed,
    startedAt: new Date(startedAt).toISOString(),
    seconds,
    rotationSeconds: beam?.periodSeconds ?? null,
    framesPerSecond: bytesPerSecond / mission.frame.length,
  });
  // Written last: where there is a truth, the recordings are complete.
  writeFileSync(join(outDir, 'truth.json'), truthText(truth));
  options.onProgress?.(1);
  return truth;
}

type Surroundings = {
  readonly beam: Beam | undefined;
  readonly framing: Framing;
  readonly seed: number;
  readonly startedAt: number;
  readonly recordingsDir: string;
};

/** One station through the campaign: its channel, and one recorder after the other. */
class StationSession {
  readonly #plan: StationPlan;
  readonly #around: Surroundings;
  readonly #channel: Channel;
  readonly #damage: Random;
  readonly #folder: string;
  readonly #sessions: readonly { readonly start: number; readonly end: number }[];
  /** Index of the session that runs, or of the next one. */
  #session = 0;
  #running: { recorder: Recorder; chunks: ChunkWriter } | undefined;
  readonly #counts = { sent: 0, lost: 0, damaged: 0 };
  readonly #recordings: TruthRecording[] = [];
  readonly #spans: number[][] = [];

  constructor(plan: StationPlan, around: Surroundings) {
    this.#plan = plan;
    this.#around = around;
    this.#channel = new Channel(plan.link, around.beam, seededRandom(around.seed, `${plan.name}/channel`));
    this.#damage = seededRandom(around.seed, `${plan.name}/damage`);
    this.#folder = join(around.recordingsDir, plan.name);
    this.#sessions = plan.recorder.sessions ?? [plan.link.pass];
  }

  hear(number: number, seconds: number, record: Uint8Array): void {
    const { pass } = this.#plan.link;
    if (seconds < pass.start || seconds >= pass.end) return;
    while (this.#session < this.#sessions.length && seconds >= this.#sessions[this.#session]!.end) this.#stop();
    const fate = this.#channel.fate(seconds);
    this.#counts.sent += 1;
    if (fate === 'lost') {
      this.#counts.lost += 1;
      return;
    }
    const session = this.#sessions[this.#session];
    if (session === undefined || seconds < session.start) return;
    this.#running ??= this.#start();
    if (fate === 'intact') {
      this.#running.recorder.hear(number, record, []);
      return;
    }
    this.#counts.damaged += 1;
    const copy = record.slice();
    this.#running.recorder.hear(number, copy, damageDataField(copy, this.#around.framing.headerBytes, this.#damage));
  }

  /** Ends the last session and packs what the station hands in. */
  async finish(outDir: string): Promise<StationAccount> {
    this.#stop();
    const paths = this.#recordings.flatMap(({ files }) => files);
    const packed = await packStation(
      this.#plan.recorder.packaging,
      this.#folder,
      paths,
      this.#clockAt(this.#plan.link.pass.start),
    );
    const shown = new Map(paths.map((path, index) => [path, relative(outDir, packed[index]!).split(sep).join('/')]));
    const recordings = this.#recordings.map((log) => ({ ...log, files: log.files.map((path) => shown.get(path)!) }));
    return { name: this.#plan.name, channel: this.#counts, recordings, spans: this.#spans };
  }

  /** What the station's clock shows so many seconds into the campaign, milliseconds since 1970 UTC. */
  #clockAt(seconds: number): number {
    return this.#around.startedAt + 1000 * (seconds + this.#plan.recorder.clockErrorSeconds);
  }

  #start(): { recorder: Recorder; chunks: ChunkWriter } {
    const { name, recorder } = this.#plan;
    const base = join(this.#folder, `${name}-${utcStamp(this.#clockAt(this.#sessions[this.#session]!.start))}`);
    const chunks = new ChunkWriter(base, recorder.chunkBytes);
    const random = seededRandom(this.#around.seed, `${name}/recorder/${this.#session}`);
    return { recorder: new Recorder(this.#around.framing, recorder, random, (bytes) => chunks.write(bytes)), chunks };
  }

  #stop(): void {
    const { recorder, chunks } = this.#running ?? {};
    if (recorder && chunks) {
      recorder.stop();
      chunks.close();
      this.#spans.push(recorder.spans);
      const { start } = this.#sessions[this.#session]!;
      this.#recordings.push({
        files: chunks.paths,
        startedAt: new Date(this.#around.startedAt + 1000 * start).toISOString(),
        stampedAt: new Date(this.#clockAt(start)).toISOString(),
        ...recorder.log,
      });
    }
    this.#running = undefined;
    this.#session += 1;
  }
}

/** The truth as text: readable, but with each list of ranges and each hole on one line. */
function truthText(truth: RehearsalTruth): string {
  const text = JSON.stringify(truth, null, 1);
  return `${text.replaceAll(/\[\s+(-?\d+),\s+(-?\d+)\s+\]/g, '[$1, $2]')}\n`;
}

/** The truth's arithmetic holds for one continuous stream in baseband frames. */
function checkLayers(mission: Mission): void {
  const names = mission.layers.map(({ name }) => name);
  if (names.join(' ') === 'dvb-s2 stream') return;
  throw new UsageError(`a rehearsal can send through the layers dvb-s2, stream; this mission has ${names.join(', ')}`);
}

function chooseBeam({ beam, mission }: RehearsalOptions): Beam | undefined {
  if (beam === null) return undefined;
  const period = beam?.periodSeconds ?? mission.downlink.rotationSeconds;
  return period === undefined ? undefined : { ...defaultBeam(period), ...beam };
}

function checkStations(plans: readonly StationPlan[], recordingsDir: string): void {
  if (plans.length === 0) throw new UsageError('a rehearsal needs at least one station');
  for (const { name } of plans) {
    if (!STATION_NAME.test(name)) {
      throw new UsageError(`station name "${name}": use letters, digits, - and _, 64 at most`);
    }
  }
  const names = new Set(plans.map(({ name }) => name.toLowerCase()));
  if (names.size < plans.length) throw new UsageError('two stations have the same name');
  if (existsSync(recordingsDir) && readdirSync(recordingsDir).length > 0) {
    throw new UsageError(`${recordingsDir} holds recordings already; choose another folder or remove them`);
  }
  mkdirSync(recordingsDir, { recursive: true });
}

function readFiles(mission: Mission, files: string | readonly RehearsalFile[]): CarouselFile[] {
  const numbered = typeof files === 'string' ? numberFolder(mission, files) : files;
  if (numbered.length === 0) throw new UsageError(`${String(files)}: there are no files to send`);
  const taken = new Set(mission.files.descriptor ? [mission.files.descriptor.file] : []);
  return numbered.map(({ file, path }) => {
    if (taken.has(file)) throw new UsageError(`${path}: file number ${file} is taken already`);
    taken.add(file);
    return { file, edition: 1, name: basename(path), content: readContent(path) };
  });
}

function numberFolder(mission: Mission, folder: string): RehearsalFile[] {
  let names: string[];
  try {
    names = readdirSync(folder, { withFileTypes: true })
      .filter((entry) => entry.isFile() && !entry.name.startsWith('.'))
      .map(({ name }) => name)
      .sort();
  } catch (error) {
    throw new UsageError(`${folder} cannot be read: ${(error as Error).message}`);
  }
  const known = new Map(mission.files.catalogue.map(({ name, file }) => [name, file]));
  const taken = new Set([...known.values(), mission.files.descriptor?.file]);
  let next = 1;
  return names.map((name) => {
    const file = known.get(name);
    if (file !== undefined) return { file, path: join(folder, name) };
    while (taken.has(next)) next += 1;
    taken.add(next);
    return { file: next, path: join(folder, name) };
  });
}

function readEvents(events: RehearsalOptions['events']): CarouselEvents {
  if (events === undefined) return {};
  const { replacements = [], ...others } = events;
  return {
    ...others,
    replacements: replacements.map(({ from, file, path }) => ({ from, file, content: readContent(path) })),
  };
}

function readContent(path: string): Uint8Array {
  try {
    return readFileSync(path);
  } catch (error) {
    throw new UsageError(`${path} cannot be read: ${(error as Error).message}`);
  }
}
