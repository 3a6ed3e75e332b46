// The slice segment header of H.265 up to the number of active references: clauses 7.3.6.1 and 7.4.7.1.
import { BitReader } from './bit-reader.js';
import { type H265Pps, type H265Sps, type ReferenceSet, readReferenceSet } from './h265-parameters.js';

export type H265Slice = {
  readonly sps: H265Sps;
  readonly pps: H265Pps;
  /** first_slice_segment_in_pic_flag */
  readonly first: boolean;
  readonly unitType: number;
  readonly temporalId: number;
  /** `null` for a dependent segment, which takes all that follows here from the segment before it. */
  readonly own: {
    readonly type: 'P' | 'B' | 'I';
    readonly output: boolean;
    readonly pocLsb: number;
    readonly shortTerm: ReferenceSet;
    /** POC, or its low bits where `msb` is `null`; `msb` counts whole cycles back from the current picture. */
    readonly longTerm: readonly { readonly pocLsb: number; readonly msb: number | null; readonly used: boolean }[];
  } | null;
};

export type H265Sets = { readonly sps: Map<number, H265Sps>; readonly pps: Map<number, H265Pps> };

/** nal_unit_type of pictures that end what pictures before them can be referenced by: 7.4.2.2. */
export const isIrap = (unitType: number): boolean => unitType >= 16 && unitType <= 23;
export const isIdr = (unitType: number): boolean => unitType === 19 || unitType === 20;
/** RADL and RASL pictures, which are shown before the IRAP picture they follow. */
export const isLeading = (unitType: number): boolean => unitType >= 6 && unitType <= 9;
export const isRasl = (unitType: number): boolean => unitType === 8 || unitType === 9;

/**
 * @param unit a slice segment's NAL unit from its two header bytes, or its known part; not kept
 * @returns `null` where the header is cut, breaks the standard's limits or names parameter sets that are not there
 */
export function readH265Slice(unit: Uint8Array, sets: H265Sets): H265Slice | null {
  const unitType = (unit[0]! >> 1) & 63;
  const temporalId = (unit[1]! & 7) - 1;
  const bits = new BitReader(unit, 2);
  const first = bits.flag();
  if (isIrap(unitType)) bits.skip(1); // no_output_of_prior_pics_flag
  const pps = sets.pps.get(bits.unsigned());
  const sps = pps && sets.sps.get(pps.spsId);
  if (!sps || temporalId < 0) return null;
  let dependent = false;
  if (!first) {
    dependent = pps.dependentSlices && bits.flag();
    if (bits.bits(Math.ceil(Math.log2(sps.blocks))) >= sps.blocks) return null;
  }
  if (dependent) return bits.overrun ? null : { sps, pps, first, unitType, temporalId, own: null };
  bits.skip(pps.extraHeaderBits);
  const rawType = bits.unsigned();
  if (rawType > 2) return null;
  const type = (['B', 'P', 'I'] as const)[rawType]!;
  const output = !pps.outputFlag || bits.flag();
  if (sps.separatePlanes) bits.skip(2); // colour_plane_id
  let pocLsb = 0;
  let shortTerm: ReferenceSet = [];
  const longTerm: { pocLsb: number; msb: number | null; used: boolean }[] = [];
  if (!isIdr(unitType)) {
    pocLsb = bits.bits(sps.pocLsbBits);
    const count = sps.referenceSets.length;
    if (!bits.flag()) {
      const sent = readReferenceSet(bits, count, sps.referenceSets, true);
      if (sent === null) return null;
      shortTerm = sent;
    } else {
      const chosen = sps.referenceSets[count > 1 ? bits.bits(Math.ceil(Math.log2(count))) : 0];
      if (!chosen) return null;
      shortTerm = chosen;
    }
    if (sps.longTerm && !readLongTerm(bits, sps, longTerm)) return null;
  }
  if (bits.overrun || (isIrap(unitType) && type !== 'I')) return null;
  return { sps, pps, first, unitType, temporalId, own: { type, output, pocLsb, shortTerm, longTerm } };
}

/** Whether the segment `next` goes on with the picture of the segments before it. */
export function sameH265Picture(before: readonly H265Slice[], next: H265Slice): boolean {
  const last = before.at(-1)!;
  if (next.first || last.unitType !== next.unitType || last.temporalId !== next.temporalId) return false;
  return last.sps === next.sps && (!last.own || !next.own || last.own.pocLsb === next.own.pocLsb);
}

function readLongTerm(
  bits: BitReader,
  sps: H265Sps,
  longTerm: { pocLsb: number; msb: number | null; used: boolean }[],
): boolean {
  const candidates = sps.longTermCandidates.length;
  const fromSps = candidates > 0 ? bits.unsigned() : 0;
  const sent = bits.unsigned();
  if (fromSps + sent > 33) return false;
  let cycles = 0;
  for (let i = 0; i < fromSps + sent; i++) {
    let entry: { pocLsb: number; used: boolean } | undefined;
    if (i < fromSps) entry = sps.longTermCandidates[candidates > 1 ? bits.bits(Math.ceil(Math.log2(candidates))) : 0];
    else entry = { pocLsb: bits.bits(sps.pocLsbBits), used: bits.flag() };
    if (!entry) return false;
    // Differences add up within each of the two groups.
    if (i === 0 || i === fromSps) cycles = 0;
    const msbSent = bits.flag();
    if (msbSent) cycles += bits.unsigned();
    longTerm.push({ ...entry, msb: msbSent ? cycles : null });
  }
  return true;
}
