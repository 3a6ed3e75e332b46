// A rehearsal: sends a mission's files as the spacecraft would, lets each station hear and record them, and writes the recordings
// and the truth about them. Layers come from the mission file; the mission's frames must form one continuous stream in DVB-S2
// baseband frames (EN 302 307-1), for which the truth is simple arithmetic. Nothing is radiated.
import { existsSync, mkdirSync, readdirSync, writeFileSync } from 'node:fs';
import { join } from 'node:path';
import { UsageError } from '../errors.js';
import { encodeChain } from '../layers/chain.js';
import type { Mission } from '../mission/mission.js';
import { type Beam, defaultBeam } from './beam.js';
import { type CarouselEvents, type CarouselFile, frameOf, planCarousel, sendingAt, sendingFrame } from './carousel.js';
import type { Framing } from './recorder.js';
import { type RehearsalEvents, type RehearsalFile, readEvents, readFiles } from './sent-files.js';
import { StationSession } from './station-session.js';
import { defaultStations, type StationPlan } from './stations.js';
import { computeTruth, type RehearsalTruth, type StationAccount } from './truth.js';

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
  readonly events?: RehearsalEvents;
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
  const { mission, outDir } = options;
  checkLayers(mission);
  const plan = planRehearsal(options);
  const { seed, startedAt, seconds, beam, bytesPerSecond, plans, recordingsDir } = plan;
  const stretches = planCarousel(mission, plan.files, plan.events);
  const frameBytes = frameOf(mission).length;
  mkdirSync(recordingsDir, { recursive: true });

  let stations: StationSession[] = [];
  let framing: Framing | undefined;
  let frameNumber = 0;
  const encoder = encodeChain(mission.layers, (record) => {
    if (framing === undefined) {
      framing = {
        headerBytes: BASEBAND_HEADER_BYTES,
        dataBytes: record.length - BASEBAND_HEADER_BYTES,
        missionBytes: frameBytes,
      };
      const known = framing;
      stations = plans.map(
        (plan) => new StationSession(plan, { beam, framing: known, seed, startedAt, recordingsDir, bytesPerSecond }),
      );
    }
    const time = (frameNumber * framing.dataBytes) / bytesPerSecond;
    if (time < seconds) for (const station of stations) station.hear(frameNumber, time, record);
    frameNumber += 1;
  });
  const framesSent = Math.ceil((seconds * bytesPerSecond) / frameBytes);
  for (let frame = 0; frame < framesSent; frame++) {
    encoder.push(sendingFrame(mission, sendingAt(stretches, frame)));
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
    framesPerSecond: bytesPerSecond / frameBytes,
  });
  // Written last: where there is a truth, the recordings are complete.
  writeFileSync(join(outDir, 'truth.json'), truthText(truth));
  options.onProgress?.(1);
  return truth;
}

/** What is settled before anything is sent. */
export type RehearsalPlan = {
  readonly seed: number;
  readonly startedAt: number;
  readonly seconds: number;
  readonly beam: Beam | undefined;
  readonly bytesPerSecond: number;
  readonly plans: readonly StationPlan[];
  readonly recordingsDir: string;
  readonly files: readonly CarouselFile[];
  readonly events: CarouselEvents;
};

/** @throws UsageError for what is missing or cannot be read */
export function planRehearsal(options: RehearsalOptions): RehearsalPlan {
  const { mission, outDir, seed = 1, startedAt = Date.UTC(2027, 2, 14, 2, 15) } = options;
  const { bitsPerSecond } = mission.downlink;
  if (bitsPerSecond === undefined) throw new UsageError('a rehearsal needs downlink.rate in the mission file');
  const beam = chooseBeam(options);
  const seconds = options.seconds ?? (options.rotations ?? 8) * (beam?.periodSeconds ?? Number.NaN);
  if (!(seconds > 0)) {
    throw new UsageError(
      'the campaign has no length: give downlink.rotation in the mission file, or a number of seconds',
    );
  }
  const plans = options.stations ?? defaultStations(DEFAULT_STATIONS, seconds);
  const recordingsDir = join(outDir, 'recordings');
  const files = readFiles(mission, options.files);
  const events = readEvents(options.events);
  checkStations(plans, recordingsDir);
  return { seed, startedAt, seconds, beam, bytesPerSecond: bitsPerSecond / 8, plans, recordingsDir, files, events };
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
}
