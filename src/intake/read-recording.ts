// Reads a recording to its end, or to where it cannot be read on: the one loop over its blocks.
import { RecordingError } from '../errors.js';
import type { Block, Recording } from './source.js';

export type WasRead = {
  /** Bytes handed on. */
  readonly bytes: number;
  /** Why the recording could not be read to its end; what came before it was handed on. */
  readonly problem: RecordingError | undefined;
};

/**
 * @param take called with each block, and waited for before the next one is read
 * @throws what is not a RecordingError, from reading or from `take`
 */
export async function readRecording(
  recording: Recording,
  take: (block: Block) => Promise<void> | void,
): Promise<WasRead> {
  let bytes = 0;
  try {
    for await (const block of recording.blocks()) {
      await take(block);
      bytes += block.bytes.length;
    }
    return { bytes, problem: undefined };
  } catch (error) {
    if (!(error instanceof RecordingError)) throw error;
    return { bytes, problem: error };
  }
}
