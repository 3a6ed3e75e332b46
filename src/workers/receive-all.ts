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

/** Below this a thread takes longer to start than the work it takes over. */
const BYTES_WORTH_A_THREAD = 32 << 20;

export type ReceiveAllOptions = {
  /** Decoding threads; 0 = none but this one. Default: as many as the machine has cores, fewer for little work. */
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
  const threads = Math.min(workers ?? threadsFor(recordings), recordings.length);
  if (threads === 0 || !fs.existsSync(threadFile)) {
    for (const recording of recordings) {
      onStart(recording);
      onReceived(recording, await receiveHere(recording, mission, store));
    }
    return;
  }
  const decoders = Array.from({ length: threads }, () => new Decoder(mission));
  const waiting = [...recordings];
  let isOver = false;
  const work = async (decoder: Decoder): Promise<void> => {
    for (let recording = waiting.shift(); recording && !isOver; recording = waiting.shift()) {
      onStart(recording);
      onReceived(recording, await decoder.receive(recording, store));
    }
  };
  try {
    await Promise.all(decoders.map(work));
  } finally {
    isOver = true;
    await Promise.all(decoders.map((decoder) => decoder.close()));
  }
}

function threadsFor(recordings: readonly Recording[]): number {
  const bytes = recordings.reduce((sum, { storedBytes }) => sum + storedBytes, 0);
  return Math.min(os.availableParallelism(), Math.floor(bytes / BYTES_WORTH_A_THREAD));
}
