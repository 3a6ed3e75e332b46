// What each station heard: transmissions (its reception, against what others heard) and segments (what of the files it holds).
// Everything is computed from sets, so the order in which recordings came does not matter.
import { intersectRanges, normaliseRanges, rangesLength, subtractRanges, unionRanges } from '../bytes/ranges.js';
import { type Edition, transmissionOrder } from '../files/edition.js';
import type { Ledger } from '../ledger/ledger.js';
import type { Reception } from '../ledger/reception-file.js';
import type { Placement } from '../segments/transmission.js';
import type { Coverage, StationCoverage } from './coverage.js';

/** What one station heard, as sets. */
export type StationReception = {
  readonly name: string;
  readonly recordings: readonly Reception[];
  /** Transmissions received intact (in `transmissionOrder`), half-open ranges. */
  readonly transmissions: number[];
  /** From the first to the last frame of each of its recordings. */
  readonly span: number[];
  /** Segment numbers received, by edition id. */
  readonly segments: ReadonlyMap<string, number[]>;
};

type Placements = ReadonlyMap<string, readonly Placement[]>;

/** @returns one entry per station, by name */
export function stationReceptions(ledger: Ledger, placements: Placements, editions: readonly Edition[]): StationReception[] {
  const byStation = new Map<string, Reception[]>();
  for (const reception of ledger.receptions.values()) {
    byStation.set(reception.station, [...(byStation.get(reception.station) ?? []), reception]);
  }
  const byStored = new Map<string, Edition[]>();
  for (const edition of editions) {
    if (edition.stored) byStored.set(edition.stored.id, [...(byStored.get(edition.stored.id) ?? []), edition]);
  }
  return [...byStation.keys()].sort().map((name) => {
    const recordings = byStation.get(name)!.sort((a, b) => (a.sha256 < b.sha256 ? -1 : 1));
    const heard: [number, number][] = [];
    const span: [number, number][] = [];
    const segments = new Map<string, [number, number][]>();
    for (const { sha256, runs } of recordings) {
      const spans = new Map<number, [number, number]>();
      for (const run of runs) {
        const placement = placements.get(sha256)![run.stretch]!;
        const start = transmissionOrder(placement, run.counter);
        heard.push([start, start + run.count]);
        const known = spans.get(placement.onboardRun) ?? [start, start];
        spans.set(placement.onboardRun, [Math.min(known[0], start), Math.max(known[1], start + run.count)]);
        if (run.lane < 0) continue;
        const candidates = byStored.get(`${run.file}-${run.segments}`) ?? [];
        for (const [edition, from, to] of splitByEdition(candidates, start, run.count)) {
          const first = Math.floor(run.key / run.step) + from;
          const own = segments.get(edition.id) ?? [];
          own.push([first, first + to - from]);
          segments.set(edition.id, own);
        }
      }
      span.push(...spans.values());
    }
    return {
      name,
      recordings,
      transmissions: normaliseRanges(heard),
      span: normaliseRanges(span),
      segments: new Map([...segments].map(([id, pairs]) => [id, normaliseRanges(pairs)])),
    };
  });
}

/** Which frames `[from, to)` of a run belong to which edition. */
function splitByEdition(candidates: readonly Edition[], start: number, count: number): [Edition, number, number][] {
  if (candidates.length === 1) return [[candidates[0]!, 0, count]];
  const parts: [Edition, number, number][] = [];
  for (let i = 0; i < count; i++) {
    const edition = candidates.find(({ covers }) => covers(start + i));
    const last = parts.at(-1);
    if (!edition) continue;
    if (last && last[0] === edition && last[2] === i) last[2]++;
    else parts.push([edition, i, i + 1]);
  }
  return parts;
}

/** The stations' rows of the coverage and its totals over transmissions. */
export function stationCoverage(stations: readonly StationReception[]): {
  rows: StationCoverage[];
  transmissions: Coverage['totals']['transmissions'];
} {
  const onceHeard = heardByOne(stations.map(({ transmissions }) => transmissions));
  const ids = new Set(stations.flatMap(({ segments }) => [...segments.keys()]));
  const onceHeld = new Map([...ids].map((id) => [id, heardByOne(stations.map(({ segments }) => segments.get(id) ?? []))]));
  const rows = stations.map(({ name, recordings, transmissions, span, segments }): StationCoverage => {
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
      segments: { received, onlyHere, repeated: heard - received },
    };
  });
  const all = rangesLength(unionRanges(stations.map(({ transmissions }) => transmissions)));
  const held = sum([...ids].map((id) => rangesLength(unionRanges(stations.map(({ segments }) => segments.get(id) ?? [])))));
  return {
    rows,
    transmissions: {
      received: all,
      acrossStations: sum(stations.map(({ transmissions }) => rangesLength(transmissions))) - all,
      acrossRepeats: all - held,
    },
  };
}

/** What is in exactly one of the sets. */
function heardByOne(sets: readonly (readonly number[])[]): number[] {
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
