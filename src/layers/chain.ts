// Puts a mission's layers together: decoders from the recording inwards, encoders from the frame outwards.
import type { z } from 'zod';
import { UsageError } from '../errors.js';
import type { LayerChoice, Mission } from '../mission/mission.js';
import { CfdpDecoder, cfdpOptions, type FileDeliverySink } from './cfdp.js';
import { FrameDecoder, type FrameSink } from './frame.js';
import { FILE_DELIVERY, LAYERS } from './index.js';
import type { Decoder, Encoder, LayerCounts, LayerDefinition, Receiver } from './layer.js';

/** The decoders of one recording. `input` takes its bytes; `counts()` tells each layer's numbers, outermost first. */
export type Chain = {
  readonly input: Receiver;
  counts(): { layer: string; counts: LayerCounts }[];
};

/**
 * @param sink takes frames where the mission has a frame of its own, PDUs where its last layer delivers files
 * @throws UsageError for a layer or option that does not exist, or a sink of the other kind
 */
export function decodeChain(mission: Pick<Mission, 'layers' | 'frame'>, sink: FrameSink | FileDeliverySink): Chain {
  const { innermost, layers } = openInnermost(mission, sink);
  const decoders = [innermost];
  for (const choice of [...layers].reverse()) {
    const { definition, options } = resolveLayer(choice);
    decoders.unshift({ layer: choice.name, decoder: definition.decoder(options, decoders[0]!.decoder) });
  }
  return {
    input: decoders[0]!.decoder,
    counts: () => decoders.map(({ layer, decoder }) => ({ layer, counts: decoder.counts() })),
  };
}

type Named = { readonly layer: string; readonly decoder: Decoder };

/** What takes the bytes of the last layer of `layers`. */
function openInnermost(
  { layers, frame }: Pick<Mission, 'layers' | 'frame'>,
  sink: FrameSink | FileDeliverySink,
): { innermost: Named; layers: readonly LayerChoice[] } {
  if (frame && 'intact' in sink)
    return { innermost: { layer: 'frame', decoder: new FrameDecoder(frame, sink) }, layers };
  const last = layers.at(-1);
  if (last?.name !== FILE_DELIVERY || !('fileData' in sink)) {
    throw new UsageError(`layers end in a frame of the mission's own, or in ${FILE_DELIVERY}; found neither`);
  }
  const options = parseOptions(last, cfdpOptions);
  return { innermost: { layer: FILE_DELIVERY, decoder: new CfdpDecoder(options, sink) }, layers: layers.slice(0, -1) };
}

/**
 * The sending side: push mission frames (or the file delivery's PDUs), get units of the outermost layer.
 *
 * @throws UsageError for a layer or option that does not exist, and from `push` for a frame that does not fit its layer
 */
export function encodeChain(layers: readonly LayerChoice[], emit: (unit: Uint8Array) => void): Encoder {
  const encoders: Encoder[] = [];
  let output: Encoder['push'] = emit;
  for (const choice of layers) {
    if (choice.name === FILE_DELIVERY && choice === layers.at(-1)) break;
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
  return { definition, options: parseOptions(choice, definition.options) };
}

function parseOptions<Options>({ name, options }: LayerChoice, schema: z.ZodType<Options>): Options {
  const parsed = schema.safeParse(options);
  if (parsed.success) return parsed.data;
  const problems = parsed.error.issues.map((issue) => `${[name, ...issue.path].join('.')}: ${issue.message}`);
  throw new UsageError(`layer options: ${problems.join('; ')}`);
}
