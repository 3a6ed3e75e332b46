// Mission frames for the tests: layouts, a sink that keeps what it is given, and a brute-force scanner as the second opinion.
import { CRC_CATALOGUE, type CrcParameters } from '../../src/bytes/crc-catalogue.js';
import { encodeFrame, FrameDecoder } from '../../src/layers/frame.js';
import type { LayerCounts } from '../../src/layers/layer.js';
import type { FrameField, FrameLayout } from '../../src/mission/mission.js';
import { noise } from './seeded.js';

const field = (at: number, bits: number, endian: 'big' | 'little' = 'big'): FrameField => ({
  at,
  bit: 0,
  bits,
  endian,
});

export type LayoutOptions = {
  marker?: string;
  payload?: number;
  crc?: CrcParameters;
  endian?: 'big' | 'little';
  /** Whether the CRC covers the marker. Default true. */
  coversMarker?: boolean;
};

/** Marker, counter, file, segment, segments, length, payload, CRC. */
export function layoutOf({
  marker = '1acffc1d',
  payload = 100,
  crc = CRC_CATALOGUE['CRC-16/IBM-3740'],
  endian = 'big',
  coversMarker = true,
}: LayoutOptions = {}): FrameLayout {
  const m = marker.length / 2;
  const at = m + 14 + payload;
  return {
    marker: Buffer.from(marker, 'hex'),
    length: at + crc.width / 8,
    fields: {
      counter: field(m, 32),
      file: field(m + 4, 16),
      segment: field(m + 6, 24),
      segments: field(m + 9, 24),
      length: field(m + 12, 16),
    },
    payload: { at: m + 14, size: payload },
    crc: { parameters: crc, at, covers: [coversMarker ? 0 : m, at], endian },
  };
}

/** Marker, counter, file, byte offset, file size, length, payload, CRC. */
export function offsetLayout(payload = 100): FrameLayout {
  const base = layoutOf({ payload });
  const { counter, file, length } = base.fields;
  return { ...base, fields: { counter, file, offset: field(10, 24), bytes: field(13, 24), length: length! } };
}

/** Frames numbered from 0, one file of `count` segments, noise as payload; the last one may be short. */
export function makeFrames(layout: FrameLayout, count: number, seed: number): Buffer[] {
  const { size } = layout.payload;
  return Array.from({ length: count }, (_, n) => {
    const used = n === count - 1 ? Math.ceil(size / 3) : size;
    const values = { counter: n, file: 7, segment: n, segments: count, length: used };
    return Buffer.from(encodeFrame(layout, values, noise(used, seed * 1000 + n)));
  });
}

export type Taken = { at: number; bytes: Buffer };
export type Result = { intact: Taken[]; damaged: Taken[]; counts: LayerCounts };

/** A decoder with a sink that keeps copies; `result()` after the end. */
export function collect(layout: FrameLayout): { decoder: FrameDecoder; result: () => Result } {
  const intact: Taken[] = [];
  const damaged: Taken[] = [];
  const decoder = new FrameDecoder(layout, {
    intact: (bytes, start, at) => {
      intact.push({ at, bytes: Buffer.from(bytes.subarray(start, start + layout.length)) });
    },
    damaged: (bytes, start, end, at) => {
      damaged.push({ at, bytes: Buffer.from(bytes.subarray(start, end)) });
    },
  });
  return { decoder, result: () => ({ intact, damaged, counts: decoder.counts() }) };
}

/**
 * Every place in `bytes` where the marker stands and a CRC, computed bit by bit from its definition, is right. For layouts with a
 * marker whose CRC is big-endian and not reflected.
 */
export function scan(layout: FrameLayout, bytes: Buffer): number[] {
  const { parameters: p, covers, at: crcAt } = layout.crc;
  const marker = Buffer.from(layout.marker);
  const found: number[] = [];
  for (let at = bytes.indexOf(marker); at >= 0; at = bytes.indexOf(marker, at + 1)) {
    if (at + layout.length > bytes.length) break;
    let register = BigInt(p.init);
    const top = 1n << BigInt(p.width - 1);
    for (let i = at + covers[0]; i < at + covers[1]; i++) {
      for (let bit = 7; bit >= 0; bit--) {
        const feedback = (register & top ? 1 : 0) ^ ((bytes[i]! >> bit) & 1);
        register = ((register << 1n) & (2n * top - 1n)) ^ (feedback ? BigInt(p.poly) : 0n);
      }
    }
    const stated = BigInt(`0x${bytes.subarray(at + crcAt, at + crcAt + p.width / 8).toString('hex')}`);
    if ((register ^ BigInt(p.xorout)) === stated) found.push(at);
  }
  return found;
}
