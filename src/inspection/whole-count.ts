// A chain that was found, run over a whole recording to count: what each layer met, and what its innermost one brought.

import { CRC_CATALOGUE } from '../bytes/crc-catalogue.js';
import type { FrameSink } from '../layers/frame.js';
import { FrameDecoder } from '../layers/frame.js';
import { LAYERS } from '../layers/index.js';
import type { Decoder, LayerCounts, Receiver } from '../layers/layer.js';
import { compileField } from '../mission/frame-fields.js';
import type { FrameField, FrameLayout } from '../mission/mission.js';
import { CfdpSurvey, type CfdpTransaction } from './cfdp-probe.js';
import type { FoundChain } from './chain-choice.js';
import type { FrameGuess } from './frame-guess.js';

export type LayerCount = {
  readonly layer: string;
  readonly options: Readonly<Record<string, unknown>>;
  readonly counts: LayerCounts;
};

export type ChainCounter = {
  readonly input: Receiver;
  counts(): LayerCount[];
  transactions(): readonly CfdpTransaction[];
};

const nothing: Receiver = {
  push: () => undefined,
  gap: () => undefined,
  unitEnd: () => undefined,
  end: () => undefined,
};

/** Decoders of the chain, fed like those of a mission. */
export function countChain({ layers, frame, cfdp }: FoundChain): ChainCounter {
  const survey = new CfdpSurvey();
  const decoders: { layer: string; options: Readonly<Record<string, unknown>>; decoder: { counts(): LayerCounts } }[] =
    [];
  let next: Receiver = nothing;
  if (frame) {
    const { decoder, counts } = frameCounter(frame);
    decoders.push({ layer: 'frame', options: {}, decoder: { counts } });
    next = decoder;
  }
  for (const { name, options } of [...layers].reverse()) {
    const definition = LAYERS.get(name);
    const decoder: Decoder =
      name === 'cfdp' && cfdp ? survey.decoder : definition!.decoder(definition!.options.parse(options), next);
    decoders.unshift({ layer: name, options, decoder });
    next = decoder;
  }
  return {
    input: next,
    counts: () => decoders.map(({ layer, options, decoder }) => ({ layer, options, counts: decoder.counts() })),
    transactions: () => survey.transactions,
  };
}

/** Counts frames by their CRC and, where the counter is known, what is missing between them. */
function frameCounter(guess: FrameGuess): { decoder: FrameDecoder; counts: () => LayerCounts } {
  const layout = layoutOf(guess);
  const counter = guess.fields.fields.counter;
  const read = counter && compileField(counter.field);
  const modulus = 2 ** (counter?.field.bits ?? 8);
  let last = -1;
  let lost = 0;
  let countsBack = 0;
  const sink: FrameSink = {
    intact: (bytes, start) => {
      if (!read) return;
      const value = read(bytes, start);
      const missing = last < 0 ? 0 : (value - last - 1 + modulus) % modulus;
      if (missing < modulus / 2) lost += missing;
      else countsBack++;
      last = value;
    },
    damaged: () => undefined,
  };
  const decoder = new FrameDecoder(layout, sink);
  return { decoder, counts: () => ({ ...decoder.counts(), ...(read && { lost, countsBack }) }) };
}

/** Enough of a layout to find the frames: fields that are not known stand anywhere and are not looked at. */
function layoutOf({ marker, length, crc, fields }: FrameGuess): FrameLayout {
  const anywhere: FrameField = { at: 0, bit: 0, bits: 8, endian: 'big' };
  const parameters = CRC_CATALOGUE[crc.name];
  return {
    marker: Buffer.from(marker, 'hex'),
    length,
    fields: { counter: anywhere, file: anywhere, segment: anywhere },
    payload: { at: fields.payload.at, size: fields.payload.size },
    crc: { parameters, at: crc.at, covers: crc.covers, endian: crc.endian },
  };
}
