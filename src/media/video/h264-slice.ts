// The slice header of H.264: clauses 7.3.3 and 7.4.3, up to the slice data; frame and field coding, all slice types.
import { BitReader } from './bit-reader.js';
import type { H264Pps, H264Sps } from './h264-parameters.js';

/** A memory management control operation (7.4.3.3) with its operands as sent. */
export type H264Marking = { readonly operation: number; readonly first: number; readonly second: number };

/** modification_of_pic_nums_idc (7.4.3.1) with its operand as sent. */
export type H264Modification = { readonly operation: number; readonly value: number };

export type H264Slice = {
  readonly sps: H264Sps;
  readonly pps: H264Pps;
  /** It can begin a picture: first_mb_in_slice is 0. */
  readonly first: boolean;
  readonly firstMb: number;
  readonly type: 'P' | 'B' | 'I';
  readonly refIdc: number;
  readonly idr: boolean;
  readonly idrPicId: number;
  readonly frameNum: number;
  readonly field: boolean;
  readonly bottom: boolean;
  readonly pocLsb: number;
  readonly deltaPoc: readonly [number, number];
  /** Entries of the two reference lists; 0 where the type has none. */
  readonly refsActive: readonly [number, number];
  /** ref_pic_list_modification() of both lists; empty: the lists are as they begin. */
  readonly modifications: readonly [readonly H264Modification[], readonly H264Modification[]];
  /** `null`: the sliding window. */
  readonly marking: readonly H264Marking[] | null;
  readonly longTerm: boolean;
};

export type H264Sets = { readonly sps: Map<number, H264Sps>; readonly pps: Map<number, H264Pps> };

/**
 * @param unit a slice NAL unit (type 1 or 5) from its header byte, or its known part; not kept
 * @returns `null` where the header is cut, breaks the standard's limits or names parameter sets that are not there
 */
export function readH264Slice(unit: Uint8Array, sets: H264Sets): H264Slice | null {
  const refIdc = (unit[0]! >> 5) & 3;
  const idr = (unit[0]! & 31) === 5;
  const bits = new BitReader(unit, 1);
  const firstMb = bits.unsigned();
  const rawType = bits.unsigned();
  const pps = sets.pps.get(bits.unsigned());
  const sps = pps && sets.sps.get(pps.spsId);
  if (!sps || rawType > 9 || firstMb >= sps.macroblocks) return null;
  const type = (['P', 'B', 'I', 'P', 'I'] as const)[rawType % 5]!;
  const switching = rawType % 5 >= 3;
  if (idr && (type !== 'I' || refIdc === 0)) return null;
  if (sps.separatePlanes) bits.skip(2); // colour_plane_id
  const frameNum = bits.bits(sps.frameNumBits);
  const field = !sps.frameMbsOnly && bits.flag();
  const bottom = field && bits.flag();
  const idrPicId = idr ? bits.unsigned() : 0;
  let [pocLsb, deltaPoc] = [0, [0, 0] as const as readonly [number, number]];
  if (sps.pocType === 0) {
    pocLsb = bits.bits(sps.pocLsbBits);
    deltaPoc = [0, pps.bottomFieldOrder && !field ? bits.signed() : 0];
  } else if (sps.pocType === 1 && !sps.deltaAlwaysZero) {
    deltaPoc = [bits.signed(), pps.bottomFieldOrder && !field ? bits.signed() : 0];
  }
  if (pps.redundantCount) bits.unsigned();
  if (type === 'B') bits.skip(1); // direct_spatial_mv_pred_flag
  let refsActive: readonly [number, number] = [0, 0];
  if (type !== 'I') {
    const sent = bits.flag();
    const count = (list: 0 | 1) => (sent ? 1 + bits.unsigned() : pps.refsActive[list]);
    refsActive = [count(0), type === 'B' ? count(1) : 0];
    if (refsActive[0] > 32 || refsActive[1] > 32) return null;
  }
  const readList = (): H264Modification[] | null => (bits.flag() ? readModification(bits) : []);
  const list0 = type === 'I' ? [] : readList();
  const list1 = type === 'B' ? readList() : [];
  if (list0 === null || list1 === null) return null;
  if (type === 'P' ? pps.weightedPrediction : type === 'B' && pps.weightedBiprediction === 1) {
    skipWeights(bits, refsActive, sps.chromaFormat !== 0 && !sps.separatePlanes);
  }
  let marking: H264Marking[] | null = null;
  let longTerm = false;
  if (refIdc !== 0) {
    if (idr) {
      bits.skip(1); // no_output_of_prior_pics_flag
      longTerm = bits.flag();
    } else if (bits.flag()) {
      marking = readMarking(bits);
      if (marking === null) return null;
      longTerm = marking.some(({ operation }) => operation === 3 || operation === 6);
    }
  }
  if (pps.cabac && type !== 'I' && bits.unsigned() > 2) return null;
  const qp = pps.initialQp + bits.signed();
  if (switching) {
    if (rawType % 5 === 3) bits.skip(1); // sp_for_switch_flag
    bits.signed(); // slice_qs_delta
  }
  if (pps.deblockingControl) {
    const disable = bits.unsigned();
    if (disable > 2) return null;
    if (disable !== 1 && (Math.abs(bits.signed()) > 6 || Math.abs(bits.signed()) > 6)) return null;
  }
  // Where the slice data begins with alignment bits they are ones: a good test of all that was read before.
  if (pps.cabac && !pps.groupsChange) while (!bits.aligned) if (!bits.flag()) return null;
  if (bits.overrun || qp < -6 * (sps.lumaDepth - 8) || qp > 51 || idrPicId > 65535) return null;
  return {
    sps,
    pps,
    first: firstMb === 0,
    firstMb,
    type,
    refIdc,
    idr,
    idrPicId,
    frameNum,
    field,
    bottom,
    pocLsb,
    deltaPoc,
    refsActive,
    modifications: [list0, list1],
    marking,
    longTerm,
  };
}

/** Whether first_mb_in_slice 0 can only mean the first slice: no arbitrary slice order, no redundant pictures (A.2.1). */
export function sendsSlicesInOrder({ sps }: H264Slice): boolean {
  return sps.profile !== 66 || (sps.constraints & 0x40) !== 0;
}

/** Whether `next` goes on with the picture of the slices before it, or is of the other field of their frame (7.4.1.2.4). */
export function sameH264Picture(before: readonly H264Slice[], next: H264Slice): boolean {
  const last = before.at(-1)!;
  if (last.sps !== next.sps || last.frameNum !== next.frameNum || last.field !== next.field) return false;
  // The second field of an IDR frame need not be IDR itself, and the fields may differ in nal_ref_idc.
  if (last.bottom !== next.bottom) return before[0]!.bottom === last.bottom && (!next.idr || last.idr);
  if (next.first && sendsSlicesInOrder(next)) return false;
  return (
    last.pps.id === next.pps.id &&
    (last.refIdc === 0) === (next.refIdc === 0) &&
    last.idr === next.idr &&
    last.idrPicId === next.idrPicId &&
    last.pocLsb === next.pocLsb &&
    last.deltaPoc[0] === next.deltaPoc[0] &&
    last.deltaPoc[1] === next.deltaPoc[1]
  );
}

/** ref_pic_list_modification() of one list, after its flag. */
function readModification(bits: BitReader): H264Modification[] | null {
  const modifications: H264Modification[] = [];
  while (modifications.length <= 66) {
    const operation = bits.unsigned();
    if (operation === 3) return modifications;
    if (operation > 2 || bits.overrun) return null;
    modifications.push({ operation, value: bits.unsigned() });
  }
  return null;
}

function skipWeights(bits: BitReader, refsActive: readonly [number, number], chroma: boolean): void {
  bits.unsigned(); // luma_log2_weight_denom
  if (chroma) bits.unsigned(); // chroma_log2_weight_denom
  for (let i = 0; i < refsActive[0] + refsActive[1] && !bits.overrun; i++) {
    if (bits.flag()) for (let k = 0; k < 2; k++) bits.signed();
    if (chroma && bits.flag()) for (let k = 0; k < 4; k++) bits.signed();
  }
}

function readMarking(bits: BitReader): H264Marking[] | null {
  const operations: H264Marking[] = [];
  while (operations.length <= 66) {
    const operation = bits.unsigned();
    if (operation === 0) return operations;
    if (operation > 6 || bits.overrun) return null;
    const first = operation === 5 ? 0 : bits.unsigned();
    operations.push({ operation, first, second: operation === 3 ? bits.unsigned() : 0 });
  }
  return null;
}
