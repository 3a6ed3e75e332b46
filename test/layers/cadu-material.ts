// For the tests of the CCSDS layers: decoders run on recordings cut in several ways, units fed with gaps, and transfer frames made
// without the encoders under test.
import fs from 'node:fs';
import { expect } from 'vitest';
import type { Decoder, Encoder, LayerCounts, LayerDefinition, Receiver } from '../../src/layers/layer.js';
import { cuts, feed } from './seeded.js';

export type Vector = { id: string; hex: string; expect: Record<string, unknown>; verified: string };

/** The vectors of one file, each under a name that tells its id and where it comes from. */
export function vectors(file: string): [string, Vector][] {
  const text = fs.readFileSync(new URL(`../vectors/${file}`, import.meta.url), 'utf8');
  return (JSON.parse(text) as { vectors: Vector[] }).vectors.map((vector) => [
    `${vector.id} (${vector.verified})`,
    vector,
  ]);
}

export const hex = (text: string): Buffer => Buffer.from(text, 'hex');

/** What a layer handed on in one push. `unit`: bytes before the place where a unit begins, -1 = not told. */
export type Piece = { at: number; bytes: Buffer; unit: number; afterGap: boolean; whole: boolean };

/** Takes what a layer hands on, copies it and notes how. */
export class Taker implements Receiver {
  readonly pieces: Piece[] = [];
  ended = 0;
  #gap = false;

  push(buffer: Uint8Array, start: number, end: number, at: number, unitStart: number): void {
    const bytes = Buffer.from(buffer.subarray(start, end));
    expect(bytes.length).toBe(end - start);
    expect(unitStart === -1 || (unitStart >= start && unitStart < end)).toBe(true);
    this.pieces.push({ at, bytes, unit: unitStart < 0 ? -1 : unitStart - start, afterGap: this.#gap, whole: false });
    this.#gap = false;
  }

  gap(): void {
    this.#gap = true;
  }

  unitEnd(): void {
    this.pieces.at(-1)!.whole = true;
  }

  end(): void {
    this.ended++;
  }

  get texts(): string[] {
    return this.pieces.map(({ bytes }) => bytes.toString('hex'));
  }
}

export type Decoded = { pieces: Piece[]; texts: string[]; counts: LayerCounts; ended: number };

const result = (decoder: Decoder, { pieces, texts, ended }: Taker): Decoded => ({
  pieces,
  texts,
  ended,
  counts: decoder.counts(),
});

export function make<Options>(layer: LayerDefinition<Options>, options: object, next: Receiver): Decoder {
  return layer.decoder(layer.options.parse(options), next);
}

/** Decodes a byte stream whole, byte by byte and cut at random; all must agree in everything. */
export function decodeStream<Options>(layer: LayerDefinition<Options>, options: object, bytes: Uint8Array): Decoded {
  const [first, ...others] = cuts(bytes.length).map((cut) => {
    const taker = new Taker();
    const decoder = make(layer, options, taker);
    feed(bytes, (...block) => decoder.push(...block), cut);
    decoder.end();
    return result(decoder, taker);
  });
  for (const other of others) expect(other).toEqual(first);
  expect(first!.ended).toBe(1);
  return first!;
}

/** A unit for a decoder, or a gap. */
export type Input = Uint8Array | 'gap';

/** Feeds units, each pushed whole, in two parts and byte by byte; all must agree in everything. */
export function decodeUnits<Options>(
  layer: LayerDefinition<Options>,
  options: object,
  inputs: readonly Input[],
): Decoded {
  const splits = [(size: number) => size, (size: number) => Math.ceil(size / 2), () => 1];
  const [first, ...others] = splits.map((partOf) => {
    const taker = new Taker();
    const decoder = make(layer, options, taker);
    let at = 0;
    for (const input of inputs) {
      if (input === 'gap') {
        decoder.gap();
        continue;
      }
      const part = Math.max(1, partOf(input.length));
      for (let from = 0; from < input.length; from += part) {
        const size = Math.min(part, input.length - from);
        const lent = Buffer.alloc(size + 5, 0xee);
        lent.set(input.subarray(from, from + size), 2);
        decoder.push(lent, 2, 2 + size, at, from === 0 ? 2 : -1);
        lent.fill(0xee);
        at += size;
      }
      decoder.unitEnd();
    }
    decoder.end();
    return result(decoder, taker);
  });
  for (const other of others) expect(other).toEqual(first);
  return first!;
}

/** Pushes units through an encoder and flushes it. */
export function encode<Options>(
  layer: LayerDefinition<Options>,
  options: object,
  units: readonly Uint8Array[],
  divisible = false,
): Buffer[] {
  const out: Buffer[] = [];
  const encoder: Encoder = layer.encoder(layer.options.parse(options), (unit) => out.push(Buffer.from(unit)));
  for (const unit of units) encoder.push(unit, divisible);
  encoder.flush();
  return out;
}

/** CRC-16/IBM-3740 bit by bit: another way than the project's. */
export function slowCrc(bytes: Uint8Array): number {
  let crc = 0xffff;
  for (const byte of bytes) {
    crc ^= byte << 8;
    for (let bit = 0; bit < 8; bit++) crc = crc & 0x8000 ? ((crc << 1) ^ 0x1021) & 0xffff : (crc << 1) & 0xffff;
  }
  return crc;
}

export function withCrc(bytes: Uint8Array): Buffer {
  const crc = slowCrc(bytes);
  return Buffer.from([...bytes, crc >> 8, crc & 255]);
}
