// Puts a mission's layers together: decoders from the recording inwards, encoders from the frame outwards.
import { UsageError } from '../errors.js';
import type { LayerChoice, Mission } from '../mission/mission.js';
import { FrameDecoder, type FrameSink } from './frame.js';
import { LAYERS } from './index.js';
import type { Decoder, Encoder, LayerCounts, LayerDefinition, Receiver } from './layer.js';

/** The decoders of one recording. `input` takes its bytes; `counts()` tells each layer's numbers, outermost first. */
export type Chain = {
  readonly input: Receiver;
  counts(): { layer: string; counts: LayerCounts }[];
};

/** @throws UsageError for a layer or option that does not exist */
export function decodeChain(mission: Pick<Mission, 'layers' | 'frame'>, sink: FrameSink): Chain {
  const frames = new FrameDecoder(mission.frame, sink);
  const decoders: { layer: string; decoder: Decoder }[] = [{ layer: 'frame', decoder: frames }];
  let next: Decoder = frames;
  for (const choice of [...mission.layers].reverse()) {
    const { definition, options } = resolveLayer(choice);
    next = definition.decoder(options, next);
    decoders.unshift({ layer: choice.name, decoder: next });
  }
  return { input: next, counts: () => decoders.map(({ layer, decoder }) => ({ layer, counts: decoder.counts() })) };
}

/**
 * The sending side: push mission frames, get units of the outermost layer.
 *
 * @throws UsageError for a layer or option that does not exist, and from `push` for a frame that does not fit its layer
 */
export function encodeChain(layers: readonly LayerChoice[], emit: (unit: Uint8Array) => void): Encoder {
  const encoders: Encoder[] = [];
  let output: Encoder['push'] = emit;
  for (const choice of layers) {
    const { definition, options } = resolveLayer(choice);
    const encoder = definition.encoder(options, output);
    encoders.unshift(encoder);
    output = (unit, divisible) => encoder.push(unit, divisible);
  }
  return {
    push: output,
    flush: () => {
      for (const encoder of encoders) encoder.flush();
    },
  };
}

function resolveLayer(choice: LayerChoice): { definition: LayerDefinition<unknown>; options: unknown } {
  const definition = LAYERS.get(choice.name);
  if (!definition) {
    throw new UsageError(`layer "${choice.name}" is not known; known are ${[...LAYERS.keys()].join(', ')}`);
  }
  const parsed = definition.options.safeParse(choice.options);
  if (parsed.success) return { definition, options: parsed.data };
  const problems = parsed.error.issues.map((issue) => `${[choice.name, ...issue.path].join('.')}: ${issue.message}`);
  throw new UsageError(`layer options: ${problems.join('; ')}`);
}
