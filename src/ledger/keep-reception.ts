// From what a recording turned out to be to its entry in the ledger.
import path from 'node:path';
import { RecordingError } from '../errors.js';
import type { Recording } from '../intake/source.js';
import type { Received } from '../segments/receive.js';
import type { Ledger } from './ledger.js';
import { packDamaged, type Reception } from './reception-file.js';

/** Why a recording was not taken in to its end, and whether the ledger had it already. */
export type Kept = {
  readonly problem: RecordingError | undefined;
  readonly known: boolean;
};

/** What is known of a recording beside its bytes. */
export type Handed = Pick<Recording, 'station' | 'name' | 'startedAt'>;

/**
 * Keeps in the ledger what a recording heard (see `Ledger.addReception`); what failed is told, and what came before the failure is
 * kept.
 *
 * @param beginnings XXH64 of what the ledger has of the same recording's beginning: no longer needed
 */
export function keepReception(
  recording: Handed,
  received: Received,
  ledger: Ledger,
  beginnings: Iterable<string> = [],
): Kept {
  const { recorder, xxh64, bytes, problem } = received;
  if (recorder.intactFrames + recorder.damagedTotal === 0) {
    const { name } = recording;
    const found = bytes === 0 ? 'no bytes' : `no frame of mission "${ledger.mission.name}" in ${bytes} bytes`;
    const empty = new RecordingError(
      'no-frames',
      name,
      undefined,
      `${found}; check that it belongs to this mission (\`passweave inspect\` shows what is in it)`,
    );
    return { problem: problem ?? empty, known: false };
  }
  const known = ledger.receptions.has(xxh64);
  const { reception, damaged } = receptionOf(recording, received);
  ledger.addReception(reception, damaged);
  ledger.removeReceptions(beginnings);
  return { problem, known };
}

/** What a recording heard, in the ledger's words, and the damaged frames kept of it. */
export function receptionOf(
  { station, name, startedAt }: Handed,
  { recorder, deliveries, xxh64, bytes, problem }: Received,
): { reception: Reception; damaged: Uint8Array } {
  const damaged = packDamaged(recorder.damagedFrames);
  const reception = {
    station,
    // Without the folders above it: they are this machine's affair, and the ledger is sent on.
    name: path.basename(name),
    xxh64,
    bytes,
    // Captures tell fractions of a millisecond.
    startedAt: startedAt === undefined ? null : Math.round(startedAt),
    frames: { intact: recorder.intactFrames, damaged: recorder.damagedTotal },
    stretches: recorder.stretchStarts,
    runs: recorder.runs,
    ...(deliveries && { deliveries }),
    damaged: damaged.index,
    problems: problem ? [problem.message] : [],
  };
  return { reception, damaged: damaged.bytes };
}
