// Sequence and picture parameter sets of H.264: clauses 7.3.2.1, 7.3.2.2 and E.1.1; only what slice headers, reference
// marking and the time line need, the rest is read over.
import { BitReader } from './bit-reader.js';

export type H264Sps = {
  readonly id: number;
  readonly profile: number;
  /** constraint_set0_flag first, in the highest bit. */
  readonly constraints: number;
  readonly level: number;
  readonly chromaFormat: number;
  readonly lumaDepth: number;
  readonly chromaDepth: number;
  readonly separatePlanes: boolean;
  readonly frameNumBits: number;
  readonly pocType: number;
  readonly pocLsbBits: number;
  readonly deltaAlwaysZero: boolean;
  readonly maxRefFrames: number;
  readonly frameMbsOnly: boolean;
  /** Pixels, cropped. */
  readonly width: number;
  readonly height: number;
  /** Macroblocks of a frame. */
  readonly macroblocks: number;
  /** Frames per second by the VUI, or `null`. */
  readonly frameRate: number | null;
};

export type H264Pps = {
  readonly id: number;
  readonly spsId: number;
  readonly cabac: boolean;
  readonly bottomFieldOrder: boolean;
  readonly sliceGroups: number;
  /** slice_group_change_cycle is sent: map types 3 to 5. */
  readonly groupsChange: boolean;
  readonly refsActive: readonly [number, number];
  readonly weightedPrediction: boolean;
  readonly weightedBiprediction: number;
  readonly initialQp: number;
  readonly deblockingControl: boolean;
  readonly redundantCount: boolean;
};

const withChroma = new Set([100, 110, 122, 244, 44, 83, 86, 118, 128, 138, 139, 134, 135]);

/**
 * @param unit the whole NAL unit from its header byte; not kept
 * @returns `null` where it is not a sequence parameter set that can be
 */
export function readH264Sps(unit: Uint8Array): H264Sps | null {
  const bits = new BitReader(unit, 1);
  const profile = bits.bits(8);
  const constraints = bits.bits(8);
  const level = bits.bits(8);
  const id = bits.unsigned();
  let [chromaFormat, lumaDepth, chromaDepth, separatePlanes] = [1, 8, 8, false];
  if (withChroma.has(profile)) {
    chromaFormat = bits.unsigned();
    if (chromaFormat === 3) separatePlanes = bits.flag();
    lumaDepth = 8 + bits.unsigned();
    chromaDepth = 8 + bits.unsigned();
    bits.skip(1); // qpprime_y_zero_transform_bypass_flag
    const lists = bits.flag() ? (chromaFormat === 3 ? 12 : 8) : 0;
    for (let i = 0; i < lists; i++) if (bits.flag()) skipScaling(bits, i);
  }
  const frameNumBits = 4 + bits.unsigned();
  const pocType = bits.unsigned();
  let [pocLsbBits, deltaAlwaysZero] = [0, false];
  if (pocType === 0) pocLsbBits = 4 + bits.unsigned();
  if (pocType === 1) {
    deltaAlwaysZero = bits.flag();
    bits.signed(); // offset_for_non_ref_pic
    bits.signed(); // offset_for_top_to_bottom_field
    const cycle = Math.min(255, bits.unsigned());
    for (let i = 0; i < cycle; i++) bits.signed();
  }
  const maxRefFrames = bits.unsigned();
  bits.skip(1); // gaps_in_frame_num_value_allowed_flag
  const columns = 1 + bits.unsigned();
  const mapUnits = 1 + bits.unsigned();
  const frameMbsOnly = bits.flag();
  if (!frameMbsOnly) bits.skip(1); // mb_adaptive_frame_field_flag
  bits.skip(1); // direct_8x8_inference_flag
  const rows = mapUnits * (frameMbsOnly ? 1 : 2);
  const [left, right, top, bottom] = bits.flag()
    ? [bits.unsigned(), bits.unsigned(), bits.unsigned(), bits.unsigned()]
    : [0, 0, 0, 0];
  if (bits.overrun || id > 31 || frameNumBits > 16 || pocType > 2 || pocLsbBits > 16 || maxRefFrames > 16) return null;
  if (chromaFormat > 3 || lumaDepth > 14 || chromaDepth > 14) return null;
  const halved = (by: boolean) => (by ? 2 : 1);
  const width = 16 * columns - (left + right) * halved(chromaFormat === 1 || chromaFormat === 2);
  const height = 16 * rows - (top + bottom) * halved(chromaFormat === 1) * halved(!frameMbsOnly);
  if (width <= 0 || height <= 0 || width > 16384 || height > 16384) return null;
  const frameRate = bits.flag() ? readFrameRate(bits) : null;
  return {
    id,
    profile,
    constraints,
    level,
    chromaFormat,
    lumaDepth,
    chromaDepth,
    separatePlanes,
    frameNumBits,
    pocType,
    pocLsbBits,
    deltaAlwaysZero,
    maxRefFrames,
    frameMbsOnly,
    width,
    height,
    macroblocks: columns * rows,
    frameRate,
  };
}

/**
 * @param unit the whole NAL unit from its header byte; not kept
 * @returns `null` where it is not a picture parameter set that can be
 */
export function readH264Pps(unit: Uint8Array): H264Pps | null {
  const bits = new BitReader(unit, 1);
  const id = bits.unsigned();
  const spsId = bits.unsigned();
  const cabac = bits.flag();
  const bottomFieldOrder = bits.flag();
  const sliceGroups = 1 + bits.unsigned();
  if (sliceGroups > 8) return null;
  const groupsChange = sliceGroups > 1 && skipSliceGroups(bits, sliceGroups);
  const refsActive = [1 + bits.unsigned(), 1 + bits.unsigned()] as const;
  const weightedPrediction = bits.flag();
  const weightedBiprediction = bits.bits(2);
  const initialQp = 26 + bits.signed();
  bits.signed(); // pic_init_qs_minus26
  bits.signed(); // chroma_qp_index_offset
  const deblockingControl = bits.flag();
  bits.skip(1); // constrained_intra_pred_flag
  const redundantCount = bits.flag();
  if (bits.overrun || id > 255 || spsId > 31 || refsActive[0] > 32 || refsActive[1] > 32) return null;
  return {
    id,
    spsId,
    cabac,
    bottomFieldOrder,
    sliceGroups,
    groupsChange,
    refsActive,
    weightedPrediction,
    weightedBiprediction,
    initialQp,
    deblockingControl,
    redundantCount,
  };
}

function skipScaling(bits: BitReader, list: number): void {
  let [last, next] = [8, 8];
  for (let i = 0; i < (list < 6 ? 16 : 64); i++) {
    if (next !== 0) next = (last + bits.signed() + 256) % 256;
    if (next !== 0) last = next;
  }
}

/** @returns whether the map changes from slice to slice */
function skipSliceGroups(bits: BitReader, groups: number): boolean {
  const type = bits.unsigned();
  if (type === 0) for (let i = 0; i < groups; i++) bits.unsigned();
  if (type === 2) for (let i = 0; i < 2 * (groups - 1); i++) bits.unsigned();
  if (type >= 3 && type <= 5) {
    bits.skip(1); // slice_group_change_direction_flag
    bits.unsigned(); // slice_group_change_rate_minus1
  }
  if (type === 6) bits.skip((1 + bits.unsigned()) * Math.ceil(Math.log2(groups)));
  return type >= 3 && type <= 5;
}

function readFrameRate(bits: BitReader): number | null {
  if (bits.flag() && bits.bits(8) === 255) bits.skip(32); // aspect_ratio_idc, sar_width, sar_height
  if (bits.flag()) bits.skip(1); // overscan_appropriate_flag
  if (bits.flag()) {
    bits.skip(4); // video_format, video_full_range_flag
    if (bits.flag()) bits.skip(24); // colour_primaries, transfer_characteristics, matrix_coefficients
  }
  if (bits.flag()) for (let i = 0; i < 2; i++) bits.unsigned(); // chroma_sample_loc_type
  if (!bits.flag()) return null;
  const ticks = bits.bits(32);
  const scale = bits.bits(32);
  // Two ticks to a frame: one for each field.
  const rate = scale / (2 * ticks);
  return !bits.overrun && rate >= 0.1 && rate <= 1000 ? rate : null;
}
