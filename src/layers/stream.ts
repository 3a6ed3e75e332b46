// Generic continuous stream (EN 302 307-1, 5.1): the data fields of successive baseband frames joined into one byte stream.
// A lost baseband frame shows only in what follows: the layer above resynchronises at its marker, or at SYNCD.
import { z } from 'zod';
import type { Decoder, Encoder, LayerCounts, LayerDefinition, Receiver, UnitTrain } from './layer.js';

type Options = Record<string, never>;

const optionsSchema: z.ZodType<Options> = z.strictObject({});

export const stream: LayerDefinition<Options> = {
  name: 'stream',
  source: 'EN 302 307-1, 5.1',
  options: optionsSchema,
  decoder: (_options, next) => new StreamDecoder(next),
  encoder: (_options, emit): Encoder => ({ push: (unit) => emit(unit, true), flush: () => undefined }),
};

class StreamDecoder implements Decoder {
  readonly #next: Receiver;
  #pieces = 0;
  #gaps = 0;

  constructor(next: Receiver) {
    this.#next = next;
  }

  push(buffer: Uint8Array, start: number, end: number, at: number, unitStart: number): void {
    this.#pieces++;
    this.#next.push(buffer, start, end, at, unitStart);
  }

  pushTrain(train: UnitTrain): number {
    const taken = this.#next.pushTrain?.(train) ?? 0;
    this.#pieces += taken;
    return taken;
  }

  gap(): void {
    this.#gaps++;
    this.#next.gap();
  }

  /** Units go on in the next data field: that a packet ended below means nothing here. */
  unitEnd(): void {}

  end(): void {
    this.#next.end();
  }

  counts(): LayerCounts {
    return { pieces: this.#pieces, gaps: this.#gaps };
  }
}
