// Takes one recording through the mission's layers into a segment store, and says what it proves. Memory stays bounded by the
// layers' buffers; the recording's identity (SHA-256 of its bytes) is computed on the way.
import { createHash } from 'node:crypto';
import type { RecordingError } from '../errors.js';
import type { Recording } from '../intake/source.js';
import { decodeChain } from '../layers/chain.js';
import { feed } from '../layers/feed.js';
import type { LayerCounts } from '../layers/layer.js';
import type { Mission } from '../mission/mission.js';
import { ReceptionRecorder, type SegmentStore } from './reception.js';

export type Received = {
  readonly recorder: ReceptionRecorder;
  readonly sha256: string;
  readonly bytes: number;
  readonly layers: readonly { readonly layer: string; readonly counts: LayerCounts }[];
  /** Why it could not be read to its end; what came before is in. */
  readonly problem: RecordingError | undefined;
};

/**
 * @param onBytes called with the number of bytes taken in, block by block
 * @throws what is not a RecordingError
 */
export async function receive(
  recording: Recording,
  mission: Mission,
  store: SegmentStore,
  onBytes: (bytes: number) => void = () => undefined,
): Promise<Received> {
  const recorder = new ReceptionRecorder(mission.frame, store);
  const chain = decodeChain(mission, recorder);
  const hash = createHash('sha256');
  const { bytes, problem } = await feed(recording, chain.input, (block) => {
    hash.update(block);
    onBytes(block.length);
  });
  return { recorder, sha256: hash.digest('hex'), bytes, layers: chain.counts(), problem };
}
