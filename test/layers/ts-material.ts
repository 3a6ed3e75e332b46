// What the tests of packet layers share: a receiver that writes down what it is handed, and ways to feed data fields to a layer.
import { setFlagsFromString } from 'node:v8';
import { runInNewContext } from 'node:vm';
import type { Decoder, Encoder, LayerDefinition, Receiver } from '../../src/layers/layer.js';
import { mutate, type Random } from '../support/mutate.js';
import type { Cut } from './seeded.js';

/** A piece of a recording as the layer below hands it on: a data field, a datagram. */
export type Field = {
  bytes: Uint8Array;
  at: number;
  /** Index in `bytes` where a unit starts; -1 = not said. */
  unit: number;
  /** Bytes were lost before it. */
  afterGap?: boolean;
};

export type Received = { units: { bytes: Buffer; at: number }[]; stream: Buffer; gaps: number; ends: number };

export function collector(): Receiver & { received: () => Received } {
  const units: Received['units'] = [];
  const pieces: Buffer[] = [];
  let open: { parts: Buffer[]; at: number } | undefined;
  let gaps = 0;
  let ends = 0;
  return {
    push: (buffer, start, end, at, unitStart) => {
      if (start < 0 || end > buffer.length || start >= end) throw new Error(`push of [${start}, ${end})`);
      if (unitStart !== -1 && (unitStart < start || unitStart >= end)) throw new Error(`unit at ${unitStart}`);
      const bytes = Buffer.from(buffer.subarray(start, end));
      pieces.push(bytes);
      open ??= { parts: [], at };
      open.parts.push(bytes);
    },
    gap: () => {
      gaps++;
    },
    unitEnd: () => {
      if (!open) throw new Error('unitEnd without a unit');
      units.push({ bytes: Buffer.concat(open.parts), at: open.at });
      open = undefined;
    },
    end: () => {
      ends++;
    },
    received: () => ({ units, stream: Buffer.concat(pieces), gaps, ends }),
  };
}

/** Feeds data fields, each cut into pieces of its own that are lent and overwritten afterwards. */
export function feedFields(decoder: Decoder, fields: readonly Field[], cut: Cut): void {
  for (const { bytes, at, unit, afterGap } of fields) {
    if (afterGap) decoder.gap();
    for (let from = 0; from < bytes.length; ) {
      const size = Math.min(cut.next(), bytes.length - from);
      const lent = Buffer.alloc(size + 7, 0xee);
      lent.set(bytes.subarray(from, from + size), 3);
      const unitStart = unit >= from && unit < from + size ? unit - from + 3 : -1;
      decoder.push(lent, 3, 3 + size, at + from, unitStart);
      lent.fill(0xee);
      from += size;
    }
    decoder.unitEnd();
  }
}

export const WHOLE: Cut = { name: 'whole', next: () => Number.POSITIVE_INFINITY };

export function decodeFields<Options>(
  layer: LayerDefinition<Options>,
  options: object,
  fields: readonly Field[],
  cut: Cut = WHOLE,
): Received & { counts: Readonly<Record<string, number>> } {
  const sink = collector();
  const decoder = layer.decoder(layer.options.parse(options), sink);
  feedFields(decoder, fields, cut);
  decoder.end();
  return { ...sink.received(), counts: decoder.counts() };
}

/** What a layer's encoder makes of units. */
export function encodeUnits<Options>(
  layer: LayerDefinition<Options>,
  options: object,
  units: readonly Uint8Array[],
  push: (encoder: Encoder, unit: Uint8Array) => void = (encoder, unit) => encoder.push(unit),
): Buffer[] {
  const made: Buffer[] = [];
  const encoder = layer.encoder(layer.options.parse(options), (unit) => made.push(Buffer.from(unit)));
  for (const unit of units) push(encoder, unit);
  encoder.flush();
  return made;
}

/** The data field of a whole baseband frame, where it stands in the recording, and where SYNCD says that a packet starts. */
export function fieldOf(frame: Uint8Array, at: number): Field {
  const bytes = Buffer.from(frame);
  const syncd = bytes.readUInt16BE(7);
  return {
    bytes: bytes.subarray(10, 10 + bytes.readUInt16BE(4) / 8),
    at: at + 10,
    unit: syncd === 65535 ? -1 : syncd / 8,
  };
}

/** Whole frames one after the other in a recording. */
export function fieldsOf(frames: readonly string[]): Field[] {
  let at = 0;
  return frames.map((hex) => {
    const frame = Buffer.from(hex, 'hex');
    at += frame.length;
    return fieldOf(frame, at - frame.length);
  });
}

/** Data fields damaged as links and recorders do: some changed, dropped, repeated, cut, with and without a gap told. */
export function mutateFields(fields: readonly Field[], random: Random): Field[] {
  const result: Field[] = [];
  for (const field of fields) {
    const luck = random();
    if (luck < 0.05) continue;
    const bytes = luck < 0.35 ? mutate(field.bytes, random) : field.bytes;
    if (bytes.length === 0) continue;
    const unit =
      random() < 0.05 ? Math.floor(random() * (bytes.length + 1)) - 1 : Math.min(field.unit, bytes.length - 1);
    result.push({ ...field, bytes, unit, afterGap: random() < 0.1 });
    if (random() < 0.03) result.push({ ...field, bytes, unit });
  }
  return result;
}

setFlagsFromString('--expose-gc');
const collect = runInNewContext('gc') as () => void;

/** Garbage collection on demand: for measuring what a decoder keeps. */
export function keptBytes(): number {
  // Twice: what the first run finds dead is given back by the next one.
  collect();
  collect();
  const { heapUsed, arrayBuffers } = process.memoryUsage();
  return heapUsed + arrayBuffers;
}
