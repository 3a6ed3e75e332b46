// Parameter sets of H.265: clauses 7.3.2.1 to 7.3.2.3, 7.3.3, 7.3.7 and E.2.1; only what slice headers and the time line
// need, the rest is read over. Extensions (range, multilayer, screen content) are not read.
import { BitReader } from './bit-reader.js';

/** A short-term reference picture set: POC differences to the current picture, and whether that picture is used by it. */
export type ReferenceSet = readonly { readonly delta: number; readonly used: boolean }[];

export type H265Sps = {
  readonly id: number;
  /** profile_tier_level up to general_level_idc: 12 bytes, as hvcC repeats them. */
  readonly profile: Uint8Array;
  readonly chromaFormat: number;
  readonly separatePlanes: boolean;
  readonly lumaDepth: number;
  readonly chromaDepth: number;
  readonly width: number;
  readonly height: number;
  readonly pocLsbBits: number;
  /** Coding tree blocks of a picture. */
  readonly blocks: number;
  readonly referenceSets: readonly ReferenceSet[];
  readonly longTerm: boolean;
  readonly longTermCandidates: readonly { readonly pocLsb: number; readonly used: boolean }[];
  readonly temporalMotion: boolean;
  readonly frameRate: number | null;
};

export type H265Pps = {
  readonly id: number;
  readonly spsId: number;
  readonly dependentSlices: boolean;
  readonly outputFlag: boolean;
  readonly extraHeaderBits: number;
  readonly refsActive: readonly [number, number];
  readonly listsModification: boolean;
};

/**
 * @param unit the whole NAL unit from its two header bytes; not kept
 * @returns `null` where it is not a sequence parameter set that can be
 */
export function readH265Sps(unit: Uint8Array): H265Sps | null {
  const bits = new BitReader(unit, 2);
  bits.skip(4); // sps_video_parameter_set_id
  const subLayers = bits.bits(3);
  bits.skip(1); // sps_temporal_id_nesting_flag
  const profile = Uint8Array.from({ length: 12 }, () => bits.bits(8));
  skipSubLayers(bits, subLayers);
  const id = bits.unsigned();
  const chromaFormat = bits.unsigned();
  const separatePlanes = chromaFormat === 3 && bits.flag();
  const codedWidth = bits.unsigned();
  const codedHeight = bits.unsigned();
  const [left, right, top, bottom] = bits.flag()
    ? [bits.unsigned(), bits.unsigned(), bits.unsigned(), bits.unsigned()]
    : [0, 0, 0, 0];
  const lumaDepth = 8 + bits.unsigned();
  const chromaDepth = 8 + bits.unsigned();
  const pocLsbBits = 4 + bits.unsigned();
  // max_dec_pic_buffering, max_num_reorder, max_latency_increase: once or per sub-layer
  const orderings = bits.flag() ? subLayers + 1 : 1;
  for (let i = 0; i < 3 * orderings; i++) bits.unsigned();
  const minBlockBits = 3 + bits.unsigned();
  const blockBits = minBlockBits + bits.unsigned();
  for (let i = 0; i < 4; i++) bits.unsigned(); // transform block sizes and depths
  if (bits.flag() && bits.flag()) skipScaling(bits);
  bits.skip(2); // amp_enabled_flag, sample_adaptive_offset_enabled_flag
  if (bits.flag()) {
    bits.skip(8); // pcm bit depths
    bits.unsigned();
    bits.unsigned();
    bits.skip(1);
  }
  if (bits.overrun || subLayers > 6 || id > 15 || chromaFormat > 3 || pocLsbBits > 16 || blockBits > 6) return null;
  if (lumaDepth > 16 || chromaDepth > 16) return null;
  const count = bits.unsigned();
  if (count > 64) return null;
  const referenceSets: ReferenceSet[] = [];
  for (let i = 0; i < count; i++) {
    const set = readReferenceSet(bits, i, referenceSets, false);
    if (set === null) return null;
    referenceSets.push(set);
  }
  const longTerm = bits.flag();
  const longTermCandidates: { pocLsb: number; used: boolean }[] = [];
  if (longTerm) {
    const candidates = Math.min(33, bits.unsigned());
    for (let i = 0; i < candidates; i++) longTermCandidates.push({ pocLsb: bits.bits(pocLsbBits), used: bits.flag() });
  }
  const temporalMotion = bits.flag();
  bits.skip(1); // strong_intra_smoothing_enabled_flag
  const width = codedWidth - (left + right) * (chromaFormat === 1 || chromaFormat === 2 ? 2 : 1);
  const height = codedHeight - (top + bottom) * (chromaFormat === 1 ? 2 : 1);
  if (bits.overrun || width <= 0 || height <= 0 || codedWidth > 16384 || codedHeight > 16384) return null;
  const frameRate = bits.flag() ? readFrameRate(bits) : null;
  const blocks = Math.ceil(codedWidth / 2 ** blockBits) * Math.ceil(codedHeight / 2 ** blockBits);
  return {
    id,
    profile,
    chromaFormat,
    separatePlanes,
    lumaDepth,
    chromaDepth,
    width,
    height,
    pocLsbBits,
    blocks,
    referenceSets,
    longTerm,
    longTermCandidates,
    temporalMotion,
    frameRate,
  };
}

/**
 * @param unit the whole NAL unit from its two header bytes; not kept
 * @returns `null` where it is not a picture parameter set that can be
 */
export function readH265Pps(unit: Uint8Array): H265Pps | null {
  const bits = new BitReader(unit, 2);
  const id = bits.unsigned();
  const spsId = bits.unsigned();
  const dependentSlices = bits.flag();
  const outputFlag = bits.flag();
  const extraHeaderBits = bits.bits(3);
  bits.skip(2); // sign_data_hiding_enabled_flag, cabac_init_present_flag
  const refsActive = [1 + bits.unsigned(), 1 + bits.unsigned()] as const;
  bits.signed(); // init_qp_minus26
  bits.skip(2); // constrained_intra_pred_flag, transform_skip_enabled_flag
  if (bits.flag()) bits.unsigned(); // diff_cu_qp_delta_depth
  bits.signed(); // pps_cb_qp_offset
  bits.signed(); // pps_cr_qp_offset
  bits.skip(4); // slice chroma offsets, weighted_pred_flag, weighted_bipred_flag, transquant_bypass
  const tiles = bits.flag();
  bits.skip(1); // entropy_coding_sync_enabled_flag
  if (tiles) {
    const columns = bits.unsigned();
    const rows = bits.unsigned();
    if (columns > 64 || rows > 64) return null;
    if (!bits.flag()) for (let i = 0; i < columns + rows; i++) bits.unsigned();
    bits.skip(1); // loop_filter_across_tiles_enabled_flag
  }
  bits.skip(1); // pps_loop_filter_across_slices_enabled_flag
  if (bits.flag()) {
    bits.skip(1); // deblocking_filter_override_enabled_flag
    if (!bits.flag()) for (let i = 0; i < 2; i++) bits.signed();
  }
  if (bits.flag()) skipScaling(bits);
  const listsModification = bits.flag();
  if (bits.overrun || id > 63 || spsId > 15 || refsActive[0] > 16 || refsActive[1] > 16) return null;
  return { id, spsId, dependentSlices, outputFlag, extraHeaderBits, refsActive, listsModification };
}

/**
 * st_ref_pic_set( index ), 7.3.7 and 7.4.8.
 *
 * @param before the sets of the SPS with lower indices. @param inSlice the set is sent in a slice header, as one more
 * @returns `null` where it cannot be
 */
export function readReferenceSet(
  bits: BitReader,
  index: number,
  before: readonly ReferenceSet[],
  inSlice: boolean,
): ReferenceSet | null {
  if (index > 0 && bits.flag()) {
    const back = inSlice ? 1 + bits.unsigned() : 1;
    const source = before[index - back];
    if (!source) return null;
    const negative = bits.flag();
    const shift = (1 + bits.unsigned()) * (negative ? -1 : 1);
    // Each picture of the source set, moved by the shift, then the source's own picture.
    const entries: { delta: number; used: boolean }[] = [];
    for (const delta of [...source.map((entry) => entry.delta), 0]) {
      const used = bits.flag();
      const kept = used || bits.flag();
      if (kept && delta + shift !== 0) entries.push({ delta: delta + shift, used });
    }
    return bits.overrun || entries.length > 16 ? null : sorted(entries);
  }
  const [negatives, positives] = [bits.unsigned(), bits.unsigned()];
  if (negatives > 16 || positives > 16 || bits.overrun) return null;
  const entries: { delta: number; used: boolean }[] = [];
  for (const [count, sign] of [
    [negatives, -1],
    [positives, 1],
  ] as const) {
    for (let i = 0, delta = 0; i < count; i++) {
      delta += sign * (1 + bits.unsigned());
      entries.push({ delta, used: bits.flag() });
    }
  }
  return bits.overrun ? null : entries;
}

/** In the standard's order, in which a set predicted from this one is sent: the past from near to far, then the future. */
function sorted(entries: { delta: number; used: boolean }[]): ReferenceSet {
  const past = entries.filter(({ delta }) => delta < 0).sort((a, b) => b.delta - a.delta);
  return [...past, ...entries.filter(({ delta }) => delta > 0).sort((a, b) => a.delta - b.delta)];
}

function skipSubLayers(bits: BitReader, subLayers: number): void {
  const present = Array.from({ length: subLayers }, () => [bits.flag(), bits.flag()] as const);
  if (subLayers > 0) bits.skip(2 * (8 - subLayers));
  for (const [profile, level] of present) bits.skip((profile ? 88 : 0) + (level ? 8 : 0));
}

function skipScaling(bits: BitReader): void {
  for (let size = 0; size < 4; size++) {
    for (let matrix = 0; matrix < 6; matrix += size === 3 ? 3 : 1) {
      if (!bits.flag()) {
        bits.unsigned(); // scaling_list_pred_matrix_id_delta
        continue;
      }
      if (size > 1) bits.signed(); // scaling_list_dc_coef_minus8
      for (let i = 0; i < Math.min(64, 16 << (2 * size)) && !bits.overrun; i++) bits.signed();
    }
  }
}

function readFrameRate(bits: BitReader): number | null {
  if (bits.flag() && bits.bits(8) === 255) bits.skip(32); // aspect_ratio_idc, sar_width, sar_height
  if (bits.flag()) bits.skip(1); // overscan_appropriate_flag
  if (bits.flag()) {
    bits.skip(4); // video_format, video_full_range_flag
    if (bits.flag()) bits.skip(24); // colour_primaries, transfer_characteristics, matrix_coeffs
  }
  if (bits.flag()) for (let i = 0; i < 2; i++) bits.unsigned(); // chroma_sample_loc_type
  bits.skip(3); // neutral_chroma_indication_flag, field_seq_flag, frame_field_info_present_flag
  if (bits.flag()) for (let i = 0; i < 4; i++) bits.unsigned(); // default display window
  if (!bits.flag()) return null;
  const ticks = bits.bits(32);
  const rate = bits.bits(32) / ticks;
  return !bits.overrun && rate >= 0.1 && rate <= 1000 ? rate : null;
}
