// Feeds a recording, block by block, to the outermost of its layers.
import { RecordingError } from '../errors.js';
import type { Recording } from '../intake/source.js';
import type { Receiver } from './layer.js';

export type Fed = {
  /** Bytes handed on. */
  readonly bytes: number;
  /** Why the recording could not be read to its end; what came before it was handed on. */
  readonly problem: RecordingError | undefined;
};

/**
 * Reads `recording` to its end, or to where it cannot be read on, and ends `input`.
 *
 * @param onBlock called with each block before `input` gets it; the bytes are lent for the call
 * @throws what is not a RecordingError
 */
export async function feed(
  recording: Recording,
  input: Receiver,
  onBlock: (bytes: Uint8Array) => void = () => undefined,
): Promise<Fed> {
  let bytes = 0;
  let problem: RecordingError | undefined;
  try {
    for await (const block of recording.blocks()) {
      onBlock(block.bytes);
      if (block.gap) input.gap();
      input.push(block.bytes, 0, block.bytes.length, block.at, -1);
      bytes += block.bytes.length;
    }
  } catch (error) {
    if (!(error instanceof RecordingError)) throw error;
    problem = error;
  }
  input.end();
  return { bytes, problem };
}
