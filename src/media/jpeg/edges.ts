// How a picture runs on from one MCU to the next: the four edges of every MCU as short spectra, from the dequantised
// coefficients (ITU-T T.81, A.3.3). Low frequencies across the edge are carried on to the border between the MCUs.
import type { JpegFrame } from './header.js';
import type { Piece, Pieces } from './pieces.js';

/** Frequencies kept along an edge, per block. */
const kept = 4;
/** Units of the stored values per brightness level. */
export const unitsPerLevel = 4;
/**
 * How much of the coefficient with vertical (for left and right: horizontal) frequency v stands at the border; fitted by least
 * squares to neighbouring blocks of photographs.
 */
const carried = [1, 0.91, 0.95, 1.03, 1.16, 1.33, 1.51, 1.42];

/** Place of each zigzag index: 8 * vertical + horizontal frequency (T.81, figure A.6). */
export const zigzag: Uint8Array = makeZigzag();

export type Edges = {
  /** Values of one MCU's top or bottom edge, and of its left or right edge. */
  readonly across: number;
  readonly down: number;
  readonly top: Int16Array;
  readonly bottom: Int16Array;
  readonly left: Int16Array;
  readonly right: Int16Array;
  /** What a value of a top or bottom edge (left or right edge) is: 4 * component + frequency. */
  readonly acrossSlots: Uint8Array;
  readonly downSlots: Uint8Array;
  /** How rough the picture is around each MCU, half octaves: from the borders in its row, as far as its piece goes. */
  readonly roughness: Uint8Array;
};

/** @param quantisation one table per component of the scan, zigzag order */
export function readEdges(
  { store, begins, kept: stored, blocks, pieces }: Pieces,
  frame: Pick<JpegFrame, 'components'>,
  scanComponents: readonly number[],
  quantisation: readonly Uint16Array[],
): Edges {
  const mcus = pieces.reduce((most, { first, count }) => Math.max(most, first + count), 0);
  // A one-component scan has one block per MCU, whatever the sampling.
  const sampling = scanComponents.map((c) => (scanComponents.length === 1 ? { h: 1, v: 1 } : frame.components[c]!));
  const acrossAt: number[] = [];
  const downAt: number[] = [];
  let across = 0;
  let down = 0;
  for (const { h, v } of sampling) {
    acrossAt.push(across);
    downAt.push(down);
    across += kept * h;
    down += kept * v;
  }
  const edges: Edges = {
    across,
    down,
    top: new Int16Array(across * mcus),
    bottom: new Int16Array(across * mcus),
    left: new Int16Array(down * mcus),
    right: new Int16Array(down * mcus),
    acrossSlots: Uint8Array.from(
      sampling.flatMap(({ h }, c) => Array.from({ length: kept * h }, (_, i) => 4 * c + (i % kept))),
    ),
    downSlots: Uint8Array.from(
      sampling.flatMap(({ v }, c) => Array.from({ length: kept * v }, (_, i) => 4 * c + (i % kept))),
    ),
    roughness: new Uint8Array(mcus),
  };
  // Per component and zigzag index: dequantisation, normalisation and weight at the border in one factor.
  const scale = unitsPerLevel / 8;
  const downFactor = quantisation.map((table) =>
    Float64Array.from(table, (q, k) => q * scale * weight(zigzag[k]! >> 3)),
  );
  const acrossFactor = quantisation.map((table) =>
    Float64Array.from(table, (q, k) => q * scale * weight(zigzag[k]! & 7)),
  );
  const blockX: number[] = [];
  const blockY: number[] = [];
  for (const { h, v } of sampling) {
    for (let y = 0; y < v; y++) for (let x = 0; x < h; x++) blockX.push(x);
    for (let y = 0; y < v; y++) for (let x = 0; x < h; x++) blockY.push(y);
  }
  const sums = new Float64Array(4 * kept);
  let block = 0;
  for (let mcu = 0; mcu < mcus; mcu++) {
    for (let b = 0; b < blocks.length; b++, block++) {
      const { component } = blocks[b]!;
      const { h, v } = sampling[component]!;
      const x = blockX[b]!;
      const y = blockY[b]!;
      sums.fill(0);
      const vertical = downFactor[component]!;
      const horizontal = acrossFactor[component]!;
      const from = begins ? begins[block]! : stored * block;
      const end = begins ? begins[block + 1]! : from + 1;
      // The DC value, then pairs of index and value.
      for (let place = from - 1; place < end; place += 2) {
        const k = place < from ? 0 : store[place]!;
        const value = store[place + 1]!;
        const fy = zigzag[k]! >> 3;
        const fx = zigzag[k]! & 7;
        if (fx < kept) {
          const carriedOn = value * vertical[k]!;
          sums[fx]! += carriedOn;
          sums[kept + fx]! += fy & 1 ? -carriedOn : carriedOn;
        }
        if (fy < kept) {
          const carriedOn = value * horizontal[k]!;
          sums[2 * kept + fy]! += carriedOn;
          sums[3 * kept + fy]! += fx & 1 ? -carriedOn : carriedOn;
        }
      }
      const a = mcu * across + acrossAt[component]! + kept * x;
      const d = mcu * down + downAt[component]! + kept * y;
      for (let f = 0; f < kept; f++) {
        if (y === 0) edges.top[a + f] = sums[f]!;
        if (y === v - 1) edges.bottom[a + f] = sums[kept + f]!;
        if (x === 0) edges.left[d + f] = sums[2 * kept + f]!;
        if (x === h - 1) edges.right[d + f] = sums[3 * kept + f]!;
      }
    }
  }
  for (const piece of pieces) measureRoughness(edges, piece);
  return edges;
}

/** MCUs on either side over which roughness is averaged. */
const around = 6;
export const roughest = 15;

function measureRoughness({ left, right, down, roughness }: Edges, { first, count }: Piece): void {
  // Sums of the differences at the borders up to each MCU.
  const sums = new Float64Array(count + 1);
  for (let m = 1; m < count; m++) {
    let sum = 0;
    const at = (first + m) * down;
    for (let i = 0; i < down; i++) sum += Math.abs(left[at + i]! - right[at - down + i]!);
    sums[m + 1] = sums[m]! + sum / down;
  }
  for (let m = 0; m < count; m++) {
    const from = Math.max(1, m - around);
    const to = Math.min(count, m + around + 1);
    const mean = to > from ? (sums[to]! - sums[from]!) / (to - from) : 0;
    roughness[first + m] = Math.min(roughest, Math.round(2 * Math.log2(1 + 2 * mean)));
  }
}

/**
 * The picture turned by half a turn: last MCU first, top for bottom. A search from the end is then one from the start.
 *
 * @param edges turned in place; the result shares its memory
 */
export function turnEdges(edges: Edges): Edges {
  const { across, down, top, bottom, left, right } = edges;
  for (const side of [top, bottom]) reverseGroups(side, across);
  for (const side of [left, right]) reverseGroups(side, down);
  edges.roughness.reverse();
  return { ...edges, top: bottom, bottom: top, left: right, right: left };
}

function reverseGroups(values: Int16Array, size: number): void {
  for (let a = 0, b = values.length - size; a < b; a += size, b -= size) {
    for (let i = 0; i < size; i++) {
      const kept = values[a + i]!;
      values[a + i] = values[b + i]!;
      values[b + i] = kept;
    }
  }
}

function weight(frequency: number): number {
  return carried[frequency]! * (frequency === 0 ? 1 : Math.SQRT2);
}

function makeZigzag(): Uint8Array {
  const order = new Uint8Array(64);
  let k = 0;
  for (let diagonal = 0; diagonal < 15; diagonal++) {
    for (let step = 0; step <= diagonal; step++) {
      const [y, x] = diagonal % 2 ? [step, diagonal - step] : [diagonal - step, step];
      if (y < 8 && x < 8) order[k++] = 8 * y! + x!;
    }
  }
  return order;
}
