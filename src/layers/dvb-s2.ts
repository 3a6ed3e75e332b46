// DVB-S2 baseband frames (EN 302 307-1, 5.1.6) as a layer: its options; the work is done in baseband-decoder.ts and
// baseband-encoder.ts.
import { z } from 'zod';
import { BasebandDecoder, type BasebandDecoderOptions } from './baseband-decoder.js';
import { BasebandEncoder, type BasebandEncoderOptions } from './baseband-encoder.js';
import { HEADER_BYTES, KBCH_BYTES } from './baseband-header.js';
import type { LayerDefinition } from './layer.js';

/** All but `isi` are for the encoder alone: the decoder finds out. */
type Options = BasebandDecoderOptions & BasebandEncoderOptions;

const optionsSchema: z.ZodType<Options> = z.strictObject({
  isi: z.number().int().min(0).max(255).optional(),
  frame: z
    .number()
    .int()
    .min(HEADER_BYTES + 1)
    .max(Math.max(...KBCH_BYTES))
    .optional(),
  record: z.enum(['fixed', 'variable']).optional(),
  stream: z.enum(['continuous', 'packetised', 'transport', 'gse-hem']).optional(),
  crc32: z.boolean().optional(),
  adaptation: z.enum(['L.1', 'L.2', 'L.3', 'L.4']).optional(),
  scrambled: z.boolean().optional(),
});

export const dvbS2: LayerDefinition<Options> = {
  name: 'dvb-s2',
  source: 'EN 302 307-1, 5.1.6',
  options: optionsSchema,
  decoder: (options, next) => new BasebandDecoder(options, next),
  encoder: (options, emit) => new BasebandEncoder(options, emit),
};
