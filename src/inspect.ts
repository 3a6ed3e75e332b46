// Looks into recordings without keeping anything: container, baseband frames, and the mission's frames or a guess at their marker.
import type { RecordingError } from './errors.js';
import { openRecordings } from './intake/open-recordings.js';
import type { Recording } from './intake/source.js';
import { dvbS2 } from './layers/dvb-s2.js';
import { feed } from './layers/feed.js';
import type { LayerCounts } from './layers/layer.js';
import { frameHeaderParser } from './mission/frame-fields.js';
import type { Mission } from './mission/mission.js';
import { receive } from './segments/receive.js';
import type { SegmentStore } from './segments/reception.js';

export type MarkerGuess = {
  /** Hexadecimal. */
  readonly marker: string;
  /** Bytes from one to the next, the commonest distance. */
  readonly distance: number;
  /** Share of the distances that are just this. */
  readonly share: number;
};

export type Inspection = {
  readonly station: string;
  readonly name: string;
  readonly container: string;
  readonly bytes: number;
  readonly startedAt: number | undefined;
  readonly layers: readonly { readonly layer: string; readonly counts: LayerCounts }[];
  /** With a mission: what its frames tell. */
  readonly frames?: {
    readonly intact: number;
    readonly damaged: number;
    /** First and last unwrapped counter of each stretch that goes up without a break. */
    readonly stretches: readonly { readonly first: number; readonly last: number; readonly frames: number }[];
    /** Frames by file number. */
    readonly files: Readonly<Record<string, number>>;
    /** The fields of the first intact frame, by name. */
    readonly example?: Readonly<Record<string, number>>;
  };
  /** Without a mission: what repeats at a fixed distance in the data fields. */
  readonly marker?: MarkerGuess;
  readonly problem: RecordingError | undefined;
};

/** Bytes of the data fields in which a marker is looked for. */
const GUESS_BYTES = 1 << 20;

export async function inspect(
  paths: readonly string[],
  mission?: Mission,
): Promise<{ inspections: Inspection[]; problems: RecordingError[] }> {
  const { recordings, problems } = await openRecordings(paths);
  const inspections: Inspection[] = [];
  for (const recording of recordings) {
    inspections.push(mission ? await inspectFrames(recording, mission) : await inspectBaseband(recording));
  }
  return { inspections, problems };
}

async function inspectFrames(recording: Recording, mission: Mission): Promise<Inspection> {
  const parser = frameHeaderParser(mission.frame);
  const { at } = mission.frame.payload;
  let example: Record<string, number> | undefined;
  const store: SegmentStore = {
    store: (_file, _segments, _key, bytes, start) => {
      example ??= parser.parse(bytes.subarray(start - at, start - at + mission.frame.length));
      return 0;
    },
  };
  const { recorder, bytes, layers, problem } = await receive(recording, mission, store);
  const stretches = recorder.stretchStarts.map((first) => ({ first, last: first, frames: 0 }));
  const files: Record<string, number> = {};
  for (const { stretch, counter, count, file } of recorder.runs) {
    const own = stretches[stretch]!;
    own.last = Math.max(own.last, counter + count - 1);
    own.frames += count;
    files[file] = (files[file] ?? 0) + count;
  }
  const { intactFrames: intact, damagedTotal: damaged } = recorder;
  const frames = { intact, damaged, stretches, files, ...(example && { example }) };
  return { ...about(recording), bytes, layers, frames, problem };
}

async function inspectBaseband(recording: Recording): Promise<Inspection> {
  const data = Buffer.allocUnsafe(GUESS_BYTES);
  let used = 0;
  const decoder = dvbS2.decoder(
    {},
    {
      push: (buffer, start, end) => {
        const size = Math.min(end - start, GUESS_BYTES - used);
        data.set(buffer.subarray(start, start + size), used);
        used += size;
      },
      gap: () => undefined,
      unitEnd: () => undefined,
      end: () => undefined,
    },
  );
  const { bytes, problem } = await feed(recording, decoder);
  const marker = guessMarker(data.subarray(0, used));
  const layers = [{ layer: 'dvb-s2', counts: decoder.counts() }];
  return { ...about(recording), bytes, layers, ...(marker && { marker }), problem };
}

function about({
  station,
  name,
  container,
  startedAt,
}: Recording): Pick<Inspection, 'station' | 'name' | 'container' | 'startedAt'> {
  return { station, name, container, startedAt };
}

/** The four bytes that come back most regularly, if any do. */
export function guessMarker(data: Buffer): MarkerGuess | undefined {
  const places = new Map<number, number[]>();
  for (let at = 0; at + 4 <= data.length; at++) {
    const value = data.readUInt32BE(at);
    if (value % 0x01010101 === 0) continue;
    const own = places.get(value);
    if (own) own.push(at);
    else places.set(value, [at]);
  }
  let best: (MarkerGuess & { score: number }) | undefined;
  for (const [value, own] of places) {
    if (own.length < 8) continue;
    const distances = new Map<number, number>();
    for (let i = 1; i < own.length; i++) {
      const distance = own[i]! - own[i - 1]!;
      distances.set(distance, (distances.get(distance) ?? 0) + 1);
    }
    const [distance, times] = [...distances].reduce((a, b) => (b[1] > a[1] ? b : a));
    const share = times / (own.length - 1);
    const score = share * times;
    const marker = value.toString(16).toUpperCase().padStart(8, '0');
    if (distance >= 16 && share > 0.5 && (!best || score > best.score)) best = { marker, distance, share, score };
  }
  if (!best) return undefined;
  const { marker, distance, share } = best;
  return { marker, distance, share };
}
