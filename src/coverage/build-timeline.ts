// From the stations' receptions to the timeline, with the times that their clocks tell. What is too finely broken up for a drawing is
// joined, and says how much of it was received.
import { intersectRanges, normaliseRanges, rangePairs, rangesLength, unionRanges } from '../bytes/ranges.js';
import type { Reception } from '../ledger/reception-file.js';
import { type Placements, transmissionOrder } from '../segments/transmission.js';
import type { StationReception } from './stations.js';
import type { Stretch, Timeline, TimelineRun } from './timeline.js';

export type TimelineInput = {
  readonly receptions: Iterable<Reception>;
  readonly placements: Placements;
  readonly stations: readonly Pick<StationReception, 'name' | 'transmissions' | 'span'>[];
  readonly frameSeconds: number | undefined;
  readonly rotationSeconds: number | undefined;
  /** Stretches of all stations together. Default 30,000. */
  readonly mostStretches?: number;
};

type Extent = { start: number; end: number; readonly base: number; readonly epochs: number[] };

/** Share of the line that is kept free between on-board runs. */
const BREAKS = 0.04;

export function buildTimeline(input: TimelineInput): Timeline {
  const { stations, frameSeconds, rotationSeconds, mostStretches = 30_000 } = input;
  const extents = runExtents(input);
  const sent = [...extents.values()].reduce((sum, { start, end }) => sum + end - start, 0);
  const free = extents.size > 1 ? Math.max(1, Math.round((sent * BREAKS) / (extents.size - 1))) : 0;
  const runs: TimelineRun[] = [];
  const placed: { readonly extent: Extent; readonly shift: number }[] = [];
  let at = 0;
  for (const [run, extent] of [...extents].sort(([a], [b]) => a - b)) {
    const { start, end, base, epochs } = extent;
    const ordered = epochs.map((epoch) => epoch + start * (frameSeconds ?? 0) * 1000).sort((a, b) => a - b);
    runs.push({
      run,
      at,
      first: start - base,
      last: end - base - 1,
      sentAt: ordered.length > 0 ? Math.round(ordered[Math.floor((ordered.length - 1) / 2)]!) : null,
      clocks: ordered.length,
      clockSpreadSeconds: ordered.length > 0 ? (ordered.at(-1)! - ordered[0]!) / 1000 : 0,
    });
    placed.push({ extent, shift: at - start });
    at += end - start + free;
  }
  const onLine = (ranges: readonly number[]): number[] =>
    placed.flatMap(({ extent: { start, end }, shift }) =>
      intersectRanges(ranges, [start, end]).map((position) => position + shift),
    );
  const lanes = stations.map(({ name, transmissions, span }) => {
    return { name: name as string | null, heard: onLine(transmissions), listened: onLine(span) };
  });
  if (lanes.length > 1) {
    const together = {
      name: null,
      heard: unionRanges(lanes.map(({ heard }) => heard)),
      listened: unionRanges(lanes.map(({ listened }) => listened)),
    };
    lanes.unshift(together);
  }
  const joined = silenceToJoin(
    lanes.map(({ heard }) => heard),
    mostStretches,
  );
  return {
    runs,
    stations: lanes.map(({ name, heard, listened }) => ({
      name,
      heard: joinSilences(heard, joined),
      listened: rangePairs(listened),
    })),
    length: Math.max(0, at - free),
    joined,
    frameSeconds: frameSeconds ?? null,
    rotationSeconds: rotationSeconds ?? null,
  };
}

/** From where to where receptions reach in each on-board run (in `transmissionOrder`), and when its order 0 was by each clock, ms. */
function runExtents({ receptions, placements, frameSeconds }: TimelineInput): Map<number, Extent> {
  const extents = new Map<number, Extent>();
  for (const { xxh64, startedAt, runs } of receptions) {
    runs.forEach((run, i) => {
      const placement = placements.get(xxh64)![run.stretch]!;
      const start = transmissionOrder(placement, run.counter);
      const end = start + run.count;
      const known = extents.get(placement.onboardRun);
      const extent = known ?? { start, end, base: placement.base, epochs: [] };
      extent.start = Math.min(extent.start, start);
      extent.end = Math.max(extent.end, end);
      if (i === 0 && startedAt !== null && frameSeconds) extent.epochs.push(startedAt - start * frameSeconds * 1000);
      extents.set(placement.onboardRun, extent);
    });
  }
  return extents;
}

/** The shortest silence that has to count as none so that no more than `most` stretches are left. */
function silenceToJoin(lanes: readonly (readonly number[])[], most: number): number {
  const silences: number[] = [];
  for (const heard of lanes) for (let i = 2; i < heard.length; i += 2) silences.push(heard[i]! - heard[i - 1]!);
  const keep = most - lanes.length;
  if (silences.length <= keep) return 0;
  return Float64Array.from(silences).sort()[silences.length - 1 - Math.max(0, keep)]!;
}

function joinSilences(heard: readonly number[], joined: number): Stretch[] {
  const groups = normaliseRanges(rangePairs(heard).map(([start, end]) => [start, end + joined]));
  return rangePairs(groups).map(([start, end]): Stretch => {
    const length = end - joined - start;
    return [start, length, joined === 0 ? length : rangesLength(intersectRanges(heard, [start, end]))];
  });
}
