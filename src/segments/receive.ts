// Takes one recording through the mission's layers into a segment store, and says what it proves. Memory stays bounded by the
// layers' buffers; the recording's identity (XXH64 of its bytes) is computed on the way.
import { Xxh64 } from '../bytes/xxh64.js';
import type { Recording } from '../intake/source.js';
import { type Chain, decodeChain } from '../layers/chain.js';
import { type Fed, feed } from '../layers/feed.js';
import type { LayerCounts, Receiver } from '../layers/layer.js';
import type { Mission } from '../mission/mission.js';
import { segmentation } from '../mission/segmentation.js';
import { DeliveryRecorder } from './delivery-recorder.js';
import { ReceptionRecorder } from './reception.js';
import type { Delivery, SegmentStore } from './run.js';
import type { RunRecorder } from './run-recorder.js';

/** What the frames of one recording prove. */
export type Heard = Pick<RunRecorder, 'runs' | 'damagedFrames' | 'intactFrames' | 'damagedTotal' | 'stretchStarts'>;

/** What a recording, taken in to its end, turned out to be. */
export type Taken = {
  readonly recorder: Heard;
  /** What a file delivery says of its files; `undefined` where the mission has frames of its own. */
  readonly deliveries: readonly Delivery[] | undefined;
  readonly xxh64: string;
  readonly layers: readonly { readonly layer: string; readonly counts: LayerCounts }[];
};

export type Received = Taken & Fed;

/** Takes in one recording, block by block. */
export class Reception {
  /** The outermost of the mission's layers: takes the bytes that `hash` takes. */
  readonly input: Receiver;
  readonly #recorder: ReceptionRecorder | DeliveryRecorder;
  readonly #chain: Chain;
  readonly #hash = new Xxh64();

  constructor(mission: Mission, store: SegmentStore) {
    this.#recorder = recorderOf(mission, store);
    this.#chain = decodeChain(mission, this.#recorder);
    this.input = this.#chain.input;
  }

  /** Takes the bytes into the recording's identity. */
  hash(bytes: Uint8Array): void {
    this.#hash.update(bytes);
  }

  /** XXH64 of the bytes so far, 16 hexadecimal digits. */
  identity(): string {
    return this.#hash.hex();
  }

  /** After `input.end()`; before it, what was proven so far: its lists still grow. */
  result(): Taken {
    const recorder = this.#recorder;
    const deliveries = recorder instanceof DeliveryRecorder ? recorder.deliveries : undefined;
    return { recorder, deliveries, xxh64: this.identity(), layers: this.#chain.counts() };
  }
}

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
  const reception = new Reception(mission, store);
  const fed = await feed(recording, reception.input, (block) => {
    reception.hash(block);
    onBytes(block.length);
  });
  return { ...reception.result(), ...fed };
}

function recorderOf(mission: Mission, store: SegmentStore): ReceptionRecorder | DeliveryRecorder {
  const { frame } = mission;
  if (frame) return new ReceptionRecorder(frame, store);
  return new DeliveryRecorder(segmentation(mission).counterBits, store);
}
