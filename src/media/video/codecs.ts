// H.264 and H.265 as the access-unit reader sees them: roles of NAL unit types (tables 7-1 of both standards), which of
// them begin an access unit (H.264, 7.4.1.2.3; H.265, 7.4.2.4.4), parameter sets and slices.
import type { Codec, UnitRole } from './access-units.js';
import { type H264Pps, type H264Sps, readH264Pps, readH264Sps } from './h264-parameters.js';
import { type H264Slice, readH264Slice, sameH264Picture, sendsSlicesInOrder } from './h264-slice.js';
import { type H265Pps, type H265Sps, readH265Pps, readH265Sps } from './h265-parameters.js';
import { type H265Slice, readH265Slice, sameH265Picture } from './h265-slice.js';
import { ParameterStore } from './parameter-store.js';

type SpsFacts = { readonly width: number; readonly height: number; readonly frameRate: number | null };

/** A codec with the parameter sets learnt so far. */
export type LearntCodec<Slice extends { readonly first: boolean }> = Codec<Slice> & {
  /** Parameter sets changed within the stream: after a loss nobody can say which are in force. */
  readonly varying: () => boolean;
  /** Any SPS that is known. */
  readonly facts: () => SpsFacts | null;
  /** Whole parameter sets, in the order VPS, SPS, PPS, each content once. */
  readonly parameterSets: () => Buffer[];
};

export function h264Codec(): LearntCodec<H264Slice> {
  const sps = new ParameterStore<H264Sps>(readH264Sps);
  const pps = new ParameterStore<H264Pps>(readH264Pps);
  const units = new Map<string, Buffer>();
  const typeOf = (header: Uint8Array): number => header[0]! & 31;
  const role = (header: Uint8Array): UnitRole => {
    const type = typeOf(header);
    if (type === 1 || type === 5) return 'slice';
    if (type === 7 || type === 8) return 'parameters';
    return type === 6 || type === 9 || type === 12 ? 'ignorable' : 'other';
  };
  return {
    name: 'h264',
    headerBytes: 1,
    role,
    begins: (header) => [6, 7, 8, 9, 14, 15, 16, 17, 18].includes(typeOf(header)),
    learn(unit) {
      if (unit.length > maxParameterBytes) return;
      (typeOf(unit) === 7 ? sps : pps).learn(unit);
      keep(units, unit);
    },
    readSlice: (unit) => readH264Slice(unit, { sps: sps.active, pps: pps.active }),
    samePicture: sameH264Picture,
    surelyFirst: (slice) => slice.first && sendsSlicesInOrder(slice),
    varying: () => sps.varying || pps.varying,
    facts: () => firstOf(sps.active),
    parameterSets: () => [...units.values()].sort((a, b) => typeOf(a) - typeOf(b)),
  };
}

export function h265Codec(): LearntCodec<H265Slice> {
  const sps = new ParameterStore<H265Sps>(readH265Sps);
  const pps = new ParameterStore<H265Pps>(readH265Pps);
  const units = new Map<string, Buffer>();
  const typeOf = (header: Uint8Array): number => (header[0]! >> 1) & 63;
  const layerOf = (header: Uint8Array): number => ((header[0]! & 1) << 5) | (header[1]! >> 3);
  const role = (header: Uint8Array): UnitRole => {
    const type = typeOf(header);
    // Decoders of the base layer pass over the others.
    if (layerOf(header) > 0) return 'ignorable';
    if (type <= 9 || (type >= 16 && type <= 21)) return 'slice';
    if (type >= 32 && type <= 34) return 'parameters';
    return type === 35 || type >= 38 ? 'ignorable' : 'other';
  };
  return {
    name: 'hevc',
    headerBytes: 2,
    role,
    begins(header) {
      const type = typeOf(header);
      return (type >= 32 && type <= 35) || type === 39 || (type >= 41 && type <= 44) || (type >= 48 && type <= 55);
    },
    learn(unit) {
      if (unit.length > maxParameterBytes) return;
      if (typeOf(unit) === 33) sps.learn(unit);
      if (typeOf(unit) === 34) pps.learn(unit);
      keep(units, unit);
    },
    readSlice: (unit) => readH265Slice(unit, { sps: sps.active, pps: pps.active }),
    samePicture: sameH265Picture,
    surelyFirst: (slice) => slice.first,
    varying: () => sps.varying || pps.varying,
    facts: () => firstOf(sps.active),
    parameterSets: () => [...units.values()].sort((a, b) => typeOf(a) - typeOf(b)),
  };
}

/** More than any real one (from memory: below 300 bytes); a false one must not fill the store. */
const maxParameterBytes = 4096;

function keep(units: Map<string, Buffer>, unit: Uint8Array): void {
  const content = Buffer.from(unit);
  if (units.size < 64) units.set(content.toString('latin1'), content);
}

function firstOf<Value>(map: ReadonlyMap<number, Value>): Value | null {
  for (const value of map.values()) return value;
  return null;
}
