// Recordings for the tests of the search: a carousel of files in mission frames or by CFDP, sent through any chain by our encoders,
// clean or as a receiver hands it in: noise before, link units missing.

import { readBasebandHeader, writeBasebandHeader } from '../../src/layers/baseband-header.js';
import { cfdpEncoder } from '../../src/layers/cfdp.js';
import { encodeChain } from '../../src/layers/chain.js';
import { encodeFrame } from '../../src/layers/frame.js';
import type { FrameLayout, LayerChoice } from '../../src/mission/mission.js';
import { noise, seeded } from '../layers/seeded.js';

const FILES = [37, 52, 24, 61, 45];

/** Frames of a carousel of five files, sent twice over, the counter beginning anywhere. */
export function carousel(layout: FrameLayout, rounds = 2, firstCounter = 1000): Buffer[] {
  const frames: Buffer[] = [];
  const { size } = layout.payload;
  for (let round = 0; round < rounds; round++) {
    for (const [n, segments] of FILES.entries()) {
      for (let segment = 0; segment < segments; segment++) {
        const used = segment === segments - 1 ? Math.ceil(size / 3) : size;
        const offset = segment * size;
        const bytes = (segments - 1) * size + Math.ceil(size / 3);
        const values = {
          counter: firstCounter + frames.length,
          file: n + 1,
          segment,
          segments,
          offset,
          bytes,
          length: used,
        };
        const own = Object.fromEntries(Object.keys(layout.fields).map((name) => [name, values[name as 'file']]));
        frames.push(Buffer.from(encodeFrame(layout, own, noise(used, n * 1000 + segment))));
      }
    }
  }
  return frames;
}

/** PDUs of four files, sent `rounds` times over. */
export function deliveries(rounds = 2, crc = false): Uint8Array[] {
  const encode = cfdpEncoder({ source: 21, destination: 9, segmentBytes: 500, crc });
  const pdus: Uint8Array[] = [];
  for (let round = 0; round < rounds; round++) {
    for (let n = 0; n < 4; n++) {
      pdus.push(...encode({ name: `limb-${n}.jpg`, content: noise(20_000 + 3_000 * n, n), sequence: 40 + n }));
    }
  }
  return pdus;
}

/** What the outermost layer sends, unit by unit. */
export function sent(layers: readonly LayerChoice[], units: readonly Uint8Array[]): Buffer[] {
  const out: Buffer[] = [];
  const encoder = encodeChain(layers, (unit) => out.push(Buffer.from(unit)));
  for (const unit of units) encoder.push(unit);
  encoder.flush();
  return out;
}

/** 2 % of the units are missing. */
export function thinned(units: readonly Buffer[], seed = 5): Buffer[] {
  const random = seeded(seed);
  return units.filter(() => random() >= 0.02);
}

export const GARBAGE_BYTES = 1024;

/** 1 KB of noise, then what 2 % losses leave of the units. */
export function damaged(units: readonly Buffer[], seed = 5): Buffer {
  return Buffer.concat([noise(GARBAGE_BYTES, seed + 99), ...thinned(units, seed)]);
}

export const layer = (name: string, options: Record<string, unknown> = {}): LayerChoice => ({ name, options });

/** Baseband frames of a single input stream made those of one of several: another MATYPE, with the ISI. */
export function asStream(frames: readonly Buffer[], isi: number): Buffer[] {
  return frames.map((frame) => {
    const header = readBasebandHeader(frame)!;
    const changed = writeBasebandHeader({ ...header, matype1: header.matype1 & ~0x20, matype2: isi });
    return Buffer.concat([changed, frame.subarray(10)]);
  });
}

/** One of each in turn, what is left of the longer ones at the end. */
export function inTurn<T>(...lists: readonly (readonly T[])[]): T[] {
  const longest = Math.max(...lists.map(({ length }) => length));
  return Array.from({ length: longest }, (_, i) => lists.flatMap((list) => list.slice(i, i + 1))).flat();
}
