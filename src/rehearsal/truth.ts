// What can be had from a rehearsal's recordings, by arithmetic on stream positions alone: mission frame number k is stream bytes
// [k * L, (k + 1) * L), and a transmission was received where all of them were recorded in one piece (recorder.ts says what counts).
// No decoder of ours has a part in it. Written as truth.json; as in reports, ranges are first and last.
import { createHash } from 'node:crypto';
import {
  firstLast,
  normaliseRanges,
  type Ranges,
  rangePairs,
  rangesLength,
  subtractRanges,
  unionRanges,
} from '../bytes/ranges.js';
import type { Mission } from '../mission/mission.js';
import { type CarouselFile, crc32Hex, type Stretch, segmentCount } from './carousel.js';
import type { Framing, RecorderLog } from './recorder.js';

type FirstLast = [first: number, last: number];

/** Ranges of unwrapped counters in one on-board run. */
export type RunRanges = { run: number; counters: FirstLast[] };

export type TruthRecording = RecorderLog & {
  /** Below the rehearsal's folder, with `/`; of a zip `ARCHIVE/ENTRY`. */
  files: string[];
  /** ISO 8601, UTC: when the session began, and what the station's clock wrote into the file names. */
  startedAt: string;
  stampedAt: string;
};

export type TruthStation = {
  name: string;
  /** Baseband frames sent in its pass, and what became of them on the way. */
  channel: { sent: number; lost: number; damaged: number };
  recordings: TruthRecording[];
  transmissions: number;
  received: RunRanges[];
};

export type TruthFile = {
  /** `FILE.EDITION`. */
  id: string;
  file: number;
  edition: number;
  name: string;
  bytes: number;
  crc32: string;
  sha256: string;
  segments: number;
  /** When it went out in full or in part: unwrapped counters, one range per turn of the carousel. */
  sent: RunRanges[];
  /** Distinct segments by station. */
  stations: Record<string, FirstLast[]>;
  /** By all stations together. */
  received: FirstLast[];
  missing: FirstLast[];
};

export type RehearsalTruth = {
  format: 'passweave-rehearsal/1';
  mission: string;
  seed: number;
  startedAt: string;
  seconds: number;
  rotationSeconds: number | null;
  framesPerSecond: number;
  frameBytes: number;
  dataFieldBytes: number;
  /** What went round when: `cycle` frames a turn, file ids in their order. */
  carousel: { run: number; counters: FirstLast; cycle: number; files: string[] }[];
  stations: TruthStation[];
  files: TruthFile[];
  totals: { files: number; whole: number; transmissions: number };
};

/** What a rehearsal knows of one station when it is over. */
export type StationAccount = Omit<TruthStation, 'transmissions' | 'received'> & {
  /** Stream bytes recorded in one piece, by recording, flat and half open. */
  spans: readonly number[][];
};

/** Mission frames that lie wholly in one of the spans. */
export function framesInSpans(spans: readonly number[][], missionBytes: number): Ranges {
  const pairs = spans.flatMap((flat) => rangePairs(flat));
  return normaliseRanges(
    pairs.map(([start, end]): [number, number] => [Math.ceil(start / missionBytes), Math.floor(end / missionBytes)]),
  );
}

/** @param framesSent mission frames that the campaign sent in full */
export function computeTruth(
  mission: Mission,
  stretches: readonly Stretch[],
  framing: Framing,
  framesSent: number,
  accounts: readonly StationAccount[],
  facts: Pick<RehearsalTruth, 'seed' | 'startedAt' | 'seconds' | 'rotationSeconds' | 'framesPerSecond'>,
): RehearsalTruth {
  const begun = stretches.filter(({ start }) => start < framesSent);
  const ends = begun.map((_, index) => begun[index + 1]?.start ?? framesSent);
  const heard = accounts.map(({ spans }) => framesInSpans(spans, framing.missionBytes));
  const inRuns = (frames: Ranges): RunRanges[] => {
    const runs = new Map<number, [number, number][]>();
    for (const [index, stretch] of begun.entries()) {
      const shift = stretch.counter - stretch.start;
      for (const [start, end] of clip(frames, stretch.start, ends[index]!)) {
        const pairs = runs.get(stretch.run) ?? [];
        runs.set(stretch.run, [...pairs, [start + shift, end + shift]]);
      }
    }
    return [...runs].map(([run, pairs]) => ({ run, counters: firstLast(normaliseRanges(pairs)) }));
  };

  const contents = new Set(begun.flatMap(({ files }) => files));
  const files = [...contents].map((content): TruthFile => {
    const segments = segmentCount(mission, content.content);
    const turns = turnsOf(content, begun, ends);
    const segmentsIn = (frames: Ranges): Ranges =>
      normaliseRanges(
        turns.flatMap(([start, end]) =>
          clip(frames, start, end).map(([a, b]): [number, number] => [a - start, b - start]),
        ),
      );
    const byStation = heard.map(segmentsIn);
    const received = unionRanges(byStation);
    return {
      id: idOf(content),
      file: content.file,
      edition: content.edition,
      name: content.name,
      bytes: content.content.length,
      crc32: crc32Hex(content.content),
      sha256: createHash('sha256').update(content.content).digest('hex'),
      segments,
      sent: turns.flatMap(([start, end]) => inRuns([start, end])),
      stations: Object.fromEntries(accounts.map(({ name }, index) => [name, firstLast(byStation[index]!)])),
      received: firstLast(received),
      missing: firstLast(subtractRanges([0, segments], received)),
    };
  });
  return {
    format: 'passweave-rehearsal/1',
    mission: mission.name,
    ...facts,
    frameBytes: framing.missionBytes,
    dataFieldBytes: framing.dataBytes,
    carousel: begun.map(({ run, counter, start, cycle, files }, index) => ({
      run,
      counters: [counter, counter + ends[index]! - start - 1],
      cycle,
      files: files.map(idOf),
    })),
    stations: accounts.map(({ name, channel, recordings }, index) => ({
      name,
      channel,
      recordings,
      transmissions: rangesLength(heard[index]!),
      received: inRuns(heard[index]!),
    })),
    files: files.sort((a, b) => a.file - b.file || a.edition - b.edition),
    totals: {
      files: files.length,
      whole: files.filter(({ missing }) => missing.length === 0).length,
      transmissions: rangesLength(unionRanges(heard)),
    },
  };
}

/** Frame numbers `[start, end)` of each turn of the carousel in which `content` went out; the last one may be broken off. */
function turnsOf(content: CarouselFile, stretches: readonly Stretch[], ends: readonly number[]): [number, number][] {
  const turns: [number, number][] = [];
  for (const [index, { start, files, firsts, cycle }] of stretches.entries()) {
    const place = files.indexOf(content);
    if (place < 0) continue;
    const frames = (firsts[place + 1] ?? cycle) - firsts[place]!;
    for (let first = start + firsts[place]!; first < ends[index]!; first += cycle) {
      turns.push([first, Math.min(first + frames, ends[index]!)]);
    }
  }
  return turns;
}

/** The part of `ranges` in `[start, end)`, as pairs. */
function clip(ranges: Ranges, start: number, end: number): [number, number][] {
  const inside: [number, number][] = [];
  // Ranges are sorted: halve the way to the first one that reaches past `start`.
  let low = 0;
  let high = ranges.length / 2;
  while (low < high) {
    const middle = (low + high) >> 1;
    if (ranges[2 * middle + 1]! <= start) low = middle + 1;
    else high = middle;
  }
  for (let i = 2 * low; i < ranges.length && ranges[i]! < end; i += 2) {
    inside.push([Math.max(start, ranges[i]!), Math.min(end, ranges[i + 1]!)]);
  }
  return inside;
}

function idOf({ file, edition }: CarouselFile): string {
  return `${file}.${edition}`;
}
