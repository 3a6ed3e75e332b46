// Feeds a recording, block by block, to the outermost of its layers.
import { readRecording, type WasRead } from '../intake/read-recording.js';
import type { Recording } from '../intake/source.js';
import type { Receiver } from './layer.js';

export type Fed = WasRead;

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
  const read = await readRecording(recording, (block) => {
    onBlock(block.bytes);
    if (block.gap) input.gap();
    input.push(block.bytes, 0, block.bytes.length, block.at, -1);
  });
  input.end();
  return read;
}
