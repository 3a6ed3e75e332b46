// The repeats estimate of an output folder: `estimateRepeats` fed with what the ledger's stations heard, and what to send next.
import fs from 'node:fs';
import path from 'node:path';
import { intersectRanges } from './bytes/ranges.js';
import { placeLedger } from './coverage/build-coverage.js';
import type { Coverage, FileCoverage } from './coverage/coverage.js';
import { sentLines } from './coverage/missing.js';
import { stationReceptions } from './coverage/stations.js';
import { UsageError } from './errors.js';
import { openFiles } from './files/delivery-view.js';
import { type Edition, findFileEditions } from './files/edition.js';
import { incompleteFile } from './incomplete-file.js';
import type { Holdings } from './ledger/holdings.js';
import { Ledger } from './ledger/ledger.js';
import { segmentation } from './mission/segmentation.js';
import { busiestWindow, withinWindow } from './planning/busiest-window.js';
import type { FileSending } from './planning/carousel-cycle.js';
import {
  type Estimate,
  estimateRepeats,
  type RepeatsEstimate,
  type RepeatsInput,
} from './planning/estimate-repeats.js';
import { FULL_EFFORT, QUICK_EFFORT } from './planning/repeats.js';
import { type NextFile, rankMissing, type SendNext, scheduleRotation } from './planning/send-next.js';
import type { ClockReading } from './planning/station-clock.js';
import { storedId } from './segments/run.js';
import { transmissionOrder } from './segments/transmission.js';

export type EstimateOptions = {
  /** Wanted chance that everything arrives. Default 0.99. */
  readonly target?: number;
  /** Only these stations. Default all. */
  readonly stations?: readonly string[];
  /** Information rate to plan with, bit/s. Default the mission file's, with which the recordings were made. */
  readonly bitsPerSecond?: number;
  /** Rotation in seconds, taken as it is. Default estimated, from the mission file's where it has one. */
  readonly rotationSeconds?: number;
  /** Fewer rotations drawn: some tenths of a second instead of seconds. Default false. */
  readonly quick?: boolean;
};

/** Rotations looked at together, at most. */
const MOST_TURNS = 150;

/**
 * @param out an output folder
 * @throws LedgerError without a usable ledger; UsageError for a station it does not have
 */
export function estimate(out: string, options: EstimateOptions = {}): Estimate {
  const ledger = Ledger.open(path.join(out, 'ledger'));
  try {
    return estimateLedger(ledger, readCoverage(out)?.files ?? [], out, options);
  } finally {
    ledger.close();
  }
}

/**
 * @param files as the coverage tells them; none = what to send next is not told
 * @param out the output folder, where pictures of incomplete files lie
 */
export function estimateLedger(
  ledger: Ledger,
  files: readonly FileCoverage[],
  out: string,
  options: EstimateOptions = {},
): Estimate {
  const { target = 0.99, stations: wanted, quick = false } = options;
  if (!(target > 0 && target < 1)) throw new UsageError(`the target is a chance between 0 and 1, got ${target}`);
  const placements = placeLedger(ledger);
  const { mission } = ledger;
  if (ledger.segmentation.counterBits === 0) {
    throw new UsageError(
      'nothing counts the transmissions of this mission (no layer packets with an apid right below cfdp): what was lost is not known, and repeats cannot be estimated',
    );
  }
  const { holdings, facts } = openFiles(ledger, placements);
  const { editions } = findFileEditions(holdings, placements, facts);
  const all = stationReceptions(holdings, placements, editions);
  const unknown = wanted?.find((name) => !all.some((station) => station.name === name));
  if (unknown !== undefined) {
    throw new UsageError(`no station "${unknown}" in this ledger; it has ${all.map(({ name }) => name).join(', ')}`);
  }
  const chosen = wanted ? all.filter(({ name }) => wanted.includes(name)) : all;
  const { frameBytes } = segmentation(mission);
  const { bitsPerSecond, rotationSeconds } = mission.downlink;
  const received = bitsPerSecond ?? options.bitsPerSecond;
  const planned = options.bitsPerSecond ?? bitsPerSecond;
  const frameSeconds = frameBytes && received && (frameBytes * 8) / received;
  const turn = frameSeconds && (options.rotationSeconds ?? rotationSeconds);
  const listening = chosen.map(({ name, transmissions, span }) => ({ name, received: transmissions, listened: span }));
  const window = busiestWindow(listening, turn ? (MOST_TURNS * turn) / frameSeconds : undefined);
  const [from, to] = window;
  const next = rankMissing(files.flatMap((file) => incompleteFile(file, out, ledger.payloadSize)));
  const input: RepeatsInput = {
    missing: next.reduce((sum, { count }) => sum + count, 0),
    stations: chosen.map(({ recordings }, i) => ({
      ...withinWindow(listening[i]!, window),
      clocks: recordings.flatMap(({ xxh64, startedAt, runs }): ClockReading[] => {
        const first = runs[0];
        if (startedAt === null || !first) return [];
        const transmission = transmissionOrder(placements.get(xxh64)![first.stretch]!, first.counter);
        return transmission >= from && transmission < to
          ? [{ transmission: transmission - from, milliseconds: startedAt }]
          : [];
      }),
    })),
    files: editions.filter(({ total }) => total > 0).map(({ id, total }) => ({ id, segments: total })),
    sendings: sendingsOf(holdings, placements, editions).map(({ id, start }) => ({ id, start: start - from })),
    target,
    ...(frameSeconds && { frameSeconds }),
    ...(frameBytes && planned && { plannedFrameSeconds: (frameBytes * 8) / planned }),
    ...(rotationSeconds && { rotationSeconds }),
    ...(options.rotationSeconds && { fixedRotationSeconds: options.rotationSeconds }),
    effort: quick ? QUICK_EFFORT : FULL_EFFORT,
  };
  const result = estimateRepeats(input);
  const others = chosen.some(({ span }) => span.some((at) => at < from || at > to));
  const notes = others
    ? [
        ...result.notes,
        'Only the part in which most was received is looked at: what lies beyond a restart of the counter or a long silence is left out.',
      ]
    : result.notes;
  return {
    mission: mission.name,
    ...result,
    notes,
    names: Object.fromEntries(files.map(({ id, name }) => [id, name])),
    sendNext: sendNext(next, input, result),
  };
}

/** When each edition was on the air: the transmission of its first segment, heard or not. */
function sendingsOf(
  ledger: Holdings,
  placements: ReturnType<typeof placeLedger>,
  editions: readonly Edition[],
): FileSending[] {
  return sentLines(ledger, placements).flatMap((line) => {
    const start = line.start - line.key / line.step;
    return editions.flatMap(({ id, stored, spans }) =>
      stored?.id === storedId(line) &&
      intersectRanges([line.start, line.end], spans).length > 0 &&
      Number.isInteger(start)
        ? [{ id, start }]
        : [],
    );
  });
}

function sendNext(
  files: readonly NextFile[],
  input: RepeatsInput,
  { rotation, frameSeconds, missingRepeats }: RepeatsEstimate,
): SendNext {
  if (missingRepeats === null || !rotation) return { files, schedule: null, repeats: null };
  const ratio = input.frameSeconds !== undefined && frameSeconds !== null ? input.frameSeconds / frameSeconds : 1;
  const schedule = scheduleRotation(files, Math.floor(rotation.period * ratio), missingRepeats);
  return { files, repeats: missingRepeats, schedule };
}

/** The coverage as written there; `null` where there is none that can be read. */
function readCoverage(out: string): Coverage | null {
  try {
    return JSON.parse(fs.readFileSync(path.join(out, 'coverage.json'), 'utf8')) as Coverage;
  } catch {
    return null;
  }
}
