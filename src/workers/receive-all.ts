// Takes in recordings, several at a time on threads of their own. Segments are kept by this thread alone, one block after the other,
// so that what comes out does not depend on how many threads there are.
import fs from 'node:fs';
import os from 'node:os';
import type { Recording } from '../intake/source.js';
import type { Mission } from '../mission/mission.js';
import type { Received } from '../segments/receive.js';
import type { SegmentStore } from '../segments/run.js';
import { Decoder, threadFile } from './decoder.js';
import { receiveHere } from './receive-here.js';
import { Surveyors } from './surveyors.js';

/** Below this a thread takes longer to start than the work it takes over. */
const BYTES_WORTH_A_THREAD = 32 << 20;

export type ReceiveAllOptions = {
  /**
   * Threads that decode, this one among them; 0 = none beside it. Default: as many as the machine has cores but one, which reading and
   * writing keep busy; fewer for little work.
   */
  readonly workers?: number | undefined;
  readonly onStart?: (recording: Recording) => void;
};

/**
 * @param onReceived called for each recording when it is through; recordings may come in another order
 * @throws what is not a RecordingError, from reading, decoding, `store` or `onReceived`; the others are then given up
 */
export async function receiveAll(
  recordings: readonly Recording[],
  mission: Mission,
  store: SegmentStore,
  onReceived: (recording: Recording, received: Received) => void,
  { workers, onStart = () => undefined }: ReceiveAllOptions = {},
): Promise<void> {
  // What has to be unpacked, this thread unpacks; plain files are read and decoded by one thread from end to end.
  const plain = recordings.filter((recording) => recording.plain);
  const packed = recordings.filter((recording) => !recording.plain);
  const all = workers ?? defaultThreads(recordings);
  const threads = threadsBeside(all, plain.length, packed.length);
  const decoders = Array.from({ length: threads }, () => new Decoder(mission));
  // Threads that no recording is left for.
  const surveyors = plain.length > 0 ? Surveyors.start(mission, all - 1 - threads) : undefined;
  const over = new AbortController();
  const work = async (
    next: () => Recording | undefined,
    take: (own: Recording) => Promise<Received>,
  ): Promise<void> => {
    for (let recording = next(); recording && !over.signal.aborted; recording = next()) {
      onStart(recording);
      onReceived(recording, await take(recording));
    }
  };
  const beside = decoders.map((decoder) =>
    work(
      () => packed.shift() ?? plain.shift(),
      (recording) => decoder.receive(recording, store),
    ),
  );
  const here = work(
    () => plain.shift() ?? (threads === 0 ? packed.shift() : undefined),
    (recording) => receiveHere(recording, mission, store, surveyors, over.signal),
  );
  try {
    await Promise.all([...beside, here]);
  } finally {
    over.abort();
    await Promise.all(decoders.map((decoder) => decoder.close()));
    // Nothing is kept any longer when this is over.
    await here.catch(() => undefined);
    await surveyors?.close();
  }
}

function threadsBeside(threads: number, plain: number, packed: number): number {
  if (threads === 0 || !fs.existsSync(threadFile)) return 0;
  const wanted = Math.max(threads - 1, packed > 0 ? 1 : 0);
  return Math.min(wanted, packed + Math.max(0, plain - 1));
}

function defaultThreads(recordings: readonly Recording[]): number {
  const bytes = recordings.reduce((sum, { storedBytes }) => sum + storedBytes, 0);
  return Math.min(Math.max(1, os.availableParallelism() - 1), Math.floor(bytes / BYTES_WORTH_A_THREAD));
}
