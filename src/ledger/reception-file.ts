// One recording's reception as kept in the ledger: recordings/XXH64.json, beside damaged/XXH64.bin with its damaged frames.
// Written whole and renamed into place: either the recording is in the ledger or it is not.
import fs from 'node:fs';
import path from 'node:path';
import { z } from 'zod';
import { transactionFile } from '../mission/segmentation.js';
import type { DamagedFrame, Delivery, Run } from '../segments/run.js';

/** `runs` rows: stretch, counter, count, file, segments, key, step, lane, at (see `Run`). */
type RunRow = [number, number, number, number, number, number, number, number, number];

/** `deliveries` rows: stretch, counter, source, sequence, name, bytes, checksum type, checksum, condition (see `Delivery`). */
type DeliveryRow = [number, number, number, number, string | null, number | null, number | null, number | null, number];

export type Reception = {
  readonly station: string;
  readonly name: string;
  /** XXH64 of the recording's bytes (containers undone, chunks joined), lower-case hexadecimal: its identity. */
  readonly xxh64: string;
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
  /** What a file delivery says of its files; absent where the mission has frames of its own. */
  readonly deliveries?: readonly Delivery[];
};

/** Without and with deliveries: what knows only the first cannot make files of them. */
const FORMAT = 'passweave-reception/1';
const FORMAT_WITH_DELIVERIES = 'passweave-reception/2';
const MAX_DELIVERIES = 65536;

const whole = z.int();
const count = whole.min(0);
const lane = whole.min(-1).max(255);
const id = count.max(2 ** 48 - 1);
const fact = count.nullable();
const receptionFile = z
  .object({
    format: z.enum([FORMAT, FORMAT_WITH_DELIVERIES]),
    station: z.string(),
    name: z.string(),
    xxh64: z.string().regex(/^[0-9a-f]{16}$/),
    bytes: count,
    startedAt: whole.nullable(),
    frames: z.object({ intact: count, damaged: count }),
    stretches: z.array(count),
    runs: z.array(z.tuple([count, whole, count, count, count, count, count, lane, count])),
    damaged: z.array(z.tuple([count, whole, whole, count])),
    problems: z.array(z.string()),
    deliveries: z
      .array(z.tuple([count, whole, id, id, z.string().max(255).nullable(), fact, fact, fact, count.max(15)]))
      .max(MAX_DELIVERIES)
      .exactOptional(),
  })
  .refine(
    ({ deliveries, stretches }) => deliveries?.every(([stretch]) => stretch < stretches.length) ?? true,
    'a delivery lies in no stretch',
  )
  .refine(({ runs, stretches }) => runs.every(([stretch]) => stretch < stretches.length), 'a run lies in no stretch');

export function encodeReception(reception: Reception): string {
  const rows = reception.runs.map(
    (r): RunRow => [r.stretch, r.counter, r.count, r.file, r.segments, r.key, r.step, r.lane, r.at],
  );
  if (!reception.deliveries) return `${JSON.stringify({ format: FORMAT, ...reception, runs: rows })}\n`;
  const deliveries = reception.deliveries.map((d): DeliveryRow => {
    return [d.stretch, d.counter, d.source, d.sequence, d.name, d.bytes, d.checksumType, d.checksum, d.condition];
  });
  return `${JSON.stringify({ format: FORMAT_WITH_DELIVERIES, ...reception, runs: rows, deliveries })}\n`;
}

/** @throws SyntaxError or ZodError where the text is not one of ours: it may come from another station */
export function decodeReception(text: string): Reception {
  const { format: _, deliveries: deliveryRows, ...value } = receptionFile.parse(JSON.parse(text));
  const runs = value.runs.map(([stretch, counter, count, file, segments, key, step, lane, at]) => {
    return { stretch, counter, count, file, segments, key, step, lane, at };
  });
  if (!deliveryRows) return { ...value, runs };
  const deliveries = deliveryRows.map((row): Delivery => {
    const [stretch, counter, source, sequence, name, bytes, checksumType, checksum, condition] = row;
    const file = transactionFile(source, sequence);
    return { file, source, sequence, stretch, counter, name, bytes, checksumType, checksum, condition };
  });
  return { ...value, runs, deliveries };
}

/**
 * The receptions kept in a folder, by the recordings' XXH64.
 *
 * @param notes takes what could not be read, in words
 */
export function* readReceptions(folder: string, notes: string[]): Iterable<Reception> {
  for (const name of fs.readdirSync(folder).sort()) {
    if (!/^[0-9a-f]{16}\.json$/.test(name)) continue;
    try {
      const reception = decodeReception(fs.readFileSync(path.join(folder, name), 'utf8'));
      if (name !== `${reception.xxh64}.json`) throw new TypeError('it is of another recording');
      yield reception;
    } catch {
      notes.push(`${path.join(folder, name)}: cannot be read; hand that recording in again.`);
    }
  }
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
