// One recording's reception as kept in the ledger: recordings/SHA256.json, beside damaged/SHA256.bin with its damaged frames.
// Written whole and renamed into place: either the recording is in the ledger or it is not.
import { z } from 'zod';
import type { DamagedFrame, Run } from '../segments/reception.js';

/** `runs` rows: stretch, counter, count, file, segments, key, step, lane, at (see `Run`). */
type RunRow = [number, number, number, number, number, number, number, number, number];

export type Reception = {
  readonly station: string;
  readonly name: string;
  /** SHA-256 of the recording's bytes (containers undone, chunks joined), lower-case hexadecimal: its identity. */
  readonly sha256: string;
  readonly bytes: number;
  /** Milliseconds since 1970 UTC, when known. */
  readonly startedAt: number | null;
  readonly frames: { readonly intact: number; readonly damaged: number };
  /** Raw counter at the start of each stretch. */
  readonly stretches: readonly number[];
  readonly runs: readonly Run[];
  /** Of each damaged frame kept: offset in the recording, stretch and counter it most likely was (-1, -1 where not told), bytes kept. */
  readonly damaged: readonly (readonly [at: number, stretch: number, counter: number, bytes: number])[];
  readonly problems: readonly string[];
};

const FORMAT = 'passweave-reception/1';

const whole = z.int();
const count = whole.min(0);
const lane = whole.min(-1).max(255);
const receptionFile = z
  .object({
    format: z.literal(FORMAT),
    station: z.string(),
    name: z.string(),
    sha256: z.string().regex(/^[0-9a-f]{64}$/),
    bytes: count,
    startedAt: whole.nullable(),
    frames: z.object({ intact: count, damaged: count }),
    stretches: z.array(count),
    runs: z.array(z.tuple([count, whole, count, count, count, count, count, lane, count])),
    damaged: z.array(z.tuple([count, whole, whole, count])),
    problems: z.array(z.string()),
  })
  .refine(({ runs, stretches }) => runs.every(([stretch]) => stretch < stretches.length), 'a run lies in no stretch');

export function encodeReception(reception: Reception): string {
  const rows = reception.runs.map(
    (r): RunRow => [r.stretch, r.counter, r.count, r.file, r.segments, r.key, r.step, r.lane, r.at],
  );
  return `${JSON.stringify({ format: FORMAT, ...reception, runs: rows })}\n`;
}

/** @throws SyntaxError or ZodError where the text is not one of ours: it may come from another station */
export function decodeReception(text: string): Reception {
  const { format: _, ...value } = receptionFile.parse(JSON.parse(text));
  const runs = value.runs.map(([stretch, counter, count, file, segments, key, step, lane, at]) => {
    return { stretch, counter, count, file, segments, key, step, lane, at };
  });
  return { ...value, runs };
}

/**
 * The same recording handed in twice, perhaps under other names: where it lies in the ledger is told anew, of its names those
 * stay that come first in the alphabet, whatever the order they came in.
 */
export function joinReceptions(known: Reception, again: Reception): Reception {
  const { station, name } = isBefore(known, again) ? known : again;
  const starts = [known.startedAt, again.startedAt].filter((at) => at !== null);
  const startedAt = starts.length > 0 ? Math.min(...starts) : null;
  const problems = [known.problems, again.problems].sort(
    (a, b) => a.length - b.length || (a.join('\n') < b.join('\n') ? -1 : 1),
  )[0]!;
  return { ...known, station, name, startedAt, problems, runs: again.runs };
}

function isBefore(a: Reception, b: Reception): boolean {
  return a.station === b.station ? a.name <= b.name : a.station < b.station;
}

/** What `Reception.damaged` says of the frames, and their bytes one after the other. */
export function packDamaged(frames: readonly DamagedFrame[]): { index: Reception['damaged']; bytes: Buffer } {
  return {
    index: frames.map(({ at, transmission, bytes }) => [
      at,
      transmission?.stretch ?? -1,
      transmission?.counter ?? -1,
      bytes.length,
    ]),
    bytes: Buffer.concat(frames.map(({ bytes }) => bytes)),
  };
}
