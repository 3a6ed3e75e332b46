// One recording's reception as kept in the ledger: recordings/SHA256.json, beside damaged/SHA256.bin with its damaged frames.
// Written whole and renamed into place: either the recording is in the ledger or it is not.
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

export function encodeReception(reception: Reception): string {
  const rows = reception.runs.map(
    (r): RunRow => [r.stretch, r.counter, r.count, r.file, r.segments, r.key, r.step, r.lane, r.at],
  );
  return `${JSON.stringify({ format: FORMAT, ...reception, runs: rows })}\n`;
}

/** @throws SyntaxError or TypeError where the text is not one of ours */
export function decodeReception(text: string): Reception {
  const { format, ...value } = JSON.parse(text) as Omit<Reception, 'runs'> & { format: string; runs: RunRow[] };
  if (format !== FORMAT) throw new TypeError(`expected "${FORMAT}", found ${JSON.stringify(format)}`);
  const runs = value.runs.map(([stretch, counter, count, file, segments, key, step, lane, at]) => {
    return { stretch, counter, count, file, segments, key, step, lane, at };
  });
  return { ...value, runs };
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
