// What each station heard: transmissions (its reception, against what others heard) and segments (what of the files it holds).
// Everything is computed from sets, so the order in which recordings came does not matter.
import {
  intersectRanges,
  normaliseRanges,
  rangePairs,
  rangesLength,
  subtractRanges,
  unionRanges,
} from '../bytes/ranges.js';
import type { Edition } from '../files/edition.js';
import type { Holdings } from '../ledger/holdings.js';
import type { Reception } from '../ledger/reception-file.js';
import { lineOf } from '../segments/line.js';
import { storedId } from '../segments/run.js';
import { type Placements, transmissionOrder } from '../segments/transmission.js';
import type { Coverage, StationCoverage } from './coverage.js';

/** What one station heard, as sets. */
export type StationReception = {
  readonly name: string;
  readonly recordings: readonly Reception[];
  /** Transmissions received intact (in `transmissionOrder`), half-open ranges. */
  readonly transmissions: number[];
  /** Those of them that carried no segment of a file: Metadata and EOF of a file delivery. */
  readonly bare: number[];
  /** From the first to the last frame of each of its recordings. */
  readonly span: number[];
  /** Segments received, one number for each (its own, or its byte offset), by edition id. */
  readonly segments: ReadonlyMap<string, number[]>;
};

/** @returns one entry per station, by name */
export function stationReceptions(
  ledger: Holdings,
  placements: Placements,
  editions: readonly Edition[],
): StationReception[] {
  const byStation = new Map<string, Reception[]>();
  for (const reception of ledger.receptions.values()) {
    const own = byStation.get(reception.station);
    if (own) own.push(reception);
    else byStation.set(reception.station, [reception]);
  }
  const byStored = new Map<string, Edition[]>();
  for (const edition of editions) {
    if (edition.stored) byStored.set(edition.stored.id, [...(byStored.get(edition.stored.id) ?? []), edition]);
  }
  return [...byStation.keys()].sort().map((name) => {
    const recordings = byStation.get(name)!.sort((a, b) => (a.xxh64 < b.xxh64 ? -1 : 1));
    const heard: [number, number][] = [];
    const bare: [number, number][] = [];
    const span: [number, number][] = [];
    const segments = new Map<string, [number, number][]>();
    for (const { xxh64, runs } of recordings) {
      const spans = new Map<number, [number, number]>();
      for (const run of runs) {
        const placement = placements.get(xxh64)![run.stretch]!;
        const line = lineOf(run, transmissionOrder(placement, run.counter));
        const { start, end } = line;
        heard.push([start, end]);
        if (ledger.isDirective(run)) bare.push([start, end]);
        const known = spans.get(placement.onboardRun) ?? [start, end];
        spans.set(placement.onboardRun, [Math.min(known[0], start), Math.max(known[1], end)]);
        if (run.lane < 0) continue;
        for (const edition of byStored.get(storedId(run)) ?? []) {
          const own = segments.get(edition.id) ?? [];
          segments.set(edition.id, own);
          for (const [from, to] of rangePairs(intersectRanges([start, end], edition.spans))) {
            const first = line.key + (from - start) * line.step;
            // Byte offsets need not be multiples of the payload size: each names its segment by itself.
            if (ledger.byOffset)
              for (let i = 0; i < to - from; i++) own.push([first + i * line.step, first + i * line.step + 1]);
            else own.push([first, first + to - from]);
          }
        }
      }
      span.push(...spans.values());
    }
    return {
      name,
      recordings,
      transmissions: normaliseRanges(heard),
      bare: normaliseRanges(bare),
      span: normaliseRanges(span),
      segments: new Map([...segments].map(([id, pairs]) => [id, normaliseRanges(pairs)])),
    };
  });
}

/**
 * The stations' rows of the coverage and its totals over transmissions.
 *
 * @param isCounted whether transmissions have a counter; else it is not told which of them several stations heard
 */
export function stationCoverage(
  stations: readonly StationReception[],
  isCounted = true,
): {
  rows: StationCoverage[];
  transmissions: Coverage['totals']['transmissions'];
} {
  const onceHeard = heardByOne(stations.map(({ transmissions }) => transmissions));
  const ids = new Set(stations.flatMap(({ segments }) => [...segments.keys()]));
  const onceHeld = new Map(
    [...ids].map((id) => [id, heardByOne(stations.map(({ segments }) => segments.get(id) ?? []))]),
  );
  const rows = stations.map(({ name, recordings, transmissions, bare, span, segments }): StationCoverage => {
    const intact = sum(recordings.map(({ frames }) => frames.intact));
    const damaged = sum(recordings.map(({ frames }) => frames.damaged));
    const received = sum([...segments.values()].map(rangesLength));
    const onlyHere = sum([...segments].map(([id, own]) => rangesLength(intersectRanges(own, onceHeld.get(id)!))));
    const heard = rangesLength(transmissions);
    return {
      name,
      recordings: recordings.length,
      bytes: sum(recordings.map(({ bytes }) => bytes)),
      frames: {
        read: intact + damaged,
        intact,
        damaged,
        duplicate: heard - rangesLength(intersectRanges(transmissions, onceHeard)),
        overlapping: intact - heard,
        lost: rangesLength(subtractRanges(span, transmissions)),
      },
      segments: { received, onlyHere, repeated: Math.max(0, heard - rangesLength(bare) - received) },
    };
  });
  const all = rangesLength(unionRanges(stations.map(({ transmissions }) => transmissions)));
  const held = sum(
    [...ids].map((id) => rangesLength(unionRanges(stations.map(({ segments }) => segments.get(id) ?? [])))),
  );
  const bare = rangesLength(unionRanges(stations.map((station) => station.bare)));
  return {
    rows,
    transmissions: {
      received: all,
      acrossStations: sum(stations.map(({ transmissions }) => rangesLength(transmissions))) - all,
      // Uncounted, what came twice may as well have been one transmission that two stations heard.
      acrossRepeats: isCounted ? Math.max(0, all - bare - held) : 0,
    },
  };
}

/** What is in exactly one of the sets. */
export function heardByOne(sets: readonly (readonly number[])[]): number[] {
  const events = sets.flatMap((set) => set.map((at, i) => ({ at, step: i % 2 === 0 ? 1 : -1 })));
  events.sort((a, b) => a.at - b.at);
  const once: [number, number][] = [];
  let depth = 0;
  let from = 0;
  for (const { at, step } of events) {
    if (depth === 1 && at > from) once.push([from, at]);
    depth += step;
    from = at;
  }
  return normaliseRanges(once);
}

function sum(numbers: readonly number[]): number {
  return numbers.reduce((total, number) => total + number, 0);
}
