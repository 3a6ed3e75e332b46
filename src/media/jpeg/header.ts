// The header of a JPEG file and its scans, read around holes: ITU-T T.81, annex B. A segment that is not wholly there is left
// out; what follows a hole is found again by the next marker that can begin a segment.
import { buildHuffmanTable, type HuffmanTable } from './huffman-table.js';

export type JpegComponent = { readonly id: number; readonly h: number; readonly v: number; readonly table: number };

export type JpegFrame = {
  readonly width: number;
  readonly height: number;
  readonly progressive: boolean;
  readonly components: readonly JpegComponent[];
};

/** One scan, with the tables that were in force when it began. */
export type JpegScan = {
  /** Indices into the frame's components, in order. */
  readonly components: readonly number[];
  readonly dc: readonly (HuffmanTable | null)[];
  readonly ac: readonly (HuffmanTable | null)[];
  readonly spectralStart: number;
  readonly spectralEnd: number;
  /** Successive approximation: bit position of the scan before (0 for none), and of this one. */
  readonly high: number;
  readonly low: number;
  /** MCUs between restart markers, 0 for none. */
  readonly restartInterval: number;
  /** Offset of its first entropy-coded byte. */
  readonly start: number;
  /** Offset of the marker that ends it or, where that is not there, of the first byte that cannot be the scan's; exclusive. */
  readonly end: number;
  /** Whether its last byte is known: a marker follows it. */
  readonly closed: boolean;
  /** A whole SOS was lost since the scan before, so this may not be the scan after it. */
  readonly afterHole: boolean;
};

export type JpegHeader = {
  readonly frame: JpegFrame;
  /** By table number, in zigzag order. */
  readonly quantisation: readonly (Uint16Array | null)[];
  readonly scans: readonly JpegScan[];
  /** APP and COM segments that are there in full, as `[start, end)` with their markers. */
  readonly extras: readonly (readonly [start: number, end: number])[];
};

/** Half-open ranges of missing bytes, in order, disjoint. */
export type Gaps = readonly (readonly [start: number, end: number])[];

/** What a file says of itself before any scan: kept from whole files, to read others whose own is lost. */
export type HeaderState = {
  frame: JpegFrame | null;
  quantisation: (Uint16Array | null)[];
  dc: (HuffmanTable | null)[];
  ac: (HuffmanTable | null)[];
  restartInterval: number;
};

const pixelLimit = 100_000_000;
/** Bytes of tables that may stand between two scans: two of each kind, with their headers. */
const longestTables = 500;

/** First gap that ends after `at`, or `null`. */
export function gapAfter(gaps: Gaps, at: number): readonly [number, number] | null {
  let low = 0;
  let high = gaps.length;
  while (low < high) {
    const middle = (low + high) >> 1;
    if (gaps[middle]![1] > at) high = middle;
    else low = middle + 1;
  }
  return gaps[low] ?? null;
}

/**
 * Reads all segments of the file that are there.
 *
 * @param bytes the file, anything in its gaps; not copied, scans refer to it by offset
 * @param known what to start from where the file's own header is lost
 * @returns `null` where no frame header or no scan is found, or the coding is another (lossless, hierarchical, arithmetic, 12 bits)
 */
export function readJpegHeader(bytes: Uint8Array, gaps: Gaps, known: HeaderState | null = null): JpegHeader | null {
  const state: HeaderState = known
    ? { ...known, quantisation: [...known.quantisation], dc: [...known.dc], ac: [...known.ac] }
    : emptyHeaderState();
  const scans: JpegScan[] = [];
  const extras: [number, number][] = [];
  let at = 0;
  let afterHole = false;
  // Whether tables came since the last scan began, and where its data end.
  let defined = true;
  let dataEnd = 0;
  while (at < bytes.length - 1) {
    const gap = gapAfter(gaps, at);
    if (gap && gap[0] <= at) {
      at = findSegment(bytes, gaps, gap[1]);
      afterHole = true;
      continue;
    }
    const marker = bytes[at + 1]!;
    if (bytes[at] !== 0xff || marker === 0) {
      at = findSegment(bytes, gaps, at + 1);
      continue;
    }
    if (marker === 0xff || (gap && gap[0] < at + 2)) {
      at++;
      continue;
    }
    if (marker === 0xd8 || marker === 0x01 || (marker >= 0xd0 && marker <= 0xd7)) {
      at += 2;
      continue;
    }
    if (marker === 0xd9) break;
    const length = at + 4 <= bytes.length ? (bytes[at + 2]! << 8) | bytes[at + 3]! : 0;
    const end = at + 2 + length;
    if (length < 2 || end > bytes.length) {
      at = findSegment(bytes, gaps, at + 2);
      continue;
    }
    if (gap && gap[0] < end) {
      // The length may be in the hole too; where it is not, it leads past a hole inside the segment.
      at = gap[0] >= at + 4 ? end : gap[0];
      afterHole = true;
      if (gap[0] >= at + 4 && gap[1] > end) at = gap[0];
      continue;
    }
    const segment = bytes.subarray(at + 4, end);
    at = end;
    if (marker === 0xda) {
      const read = readScan(segment, state, afterHole);
      if (!read) continue;
      // Progressive pictures have tables of their own before each scan: those of an earlier one may be known, but are not this one's.
      const hole = gapAfter(gaps, dataEnd - longestTables);
      const stale = state.frame!.progressive && !defined && (afterHole || (hole !== null && hole[0] < dataEnd));
      const none = read.components.map(() => null);
      const scan = stale ? { ...read, dc: none, ac: none } : read;
      defined = false;
      const [stop, closed] = endOfScan(bytes, gaps, end);
      scans.push({ ...scan, start: end, end: stop, closed });
      dataEnd = stop;
      afterHole = !closed;
      at = stop;
    } else if (isStartOfFrame(marker)) {
      const frame = readFrame(marker, segment);
      if (!frame) return null;
      state.frame = frame;
    } else if (marker === 0xdb) readQuantisation(segment, state.quantisation);
    else if (marker === 0xc4) {
      readHuffman(segment, state);
      defined = true;
    } else if (marker === 0xdd && segment.length === 2) state.restartInterval = (segment[0]! << 8) | segment[1]!;
    else if (marker >= 0xe0 && marker <= 0xef) extras.push([end - length - 2, end]);
  }
  return state.frame && scans.length > 0
    ? { frame: state.frame, quantisation: state.quantisation, scans, extras }
    : null;
}

export function emptyHeaderState(): HeaderState {
  return {
    frame: null,
    quantisation: [null, null, null, null],
    dc: [null, null, null, null],
    ac: [null, null, null, null],
    restartInterval: 0,
  };
}

/** SOF0 to SOF15; C4, C8 and CC in that range are other markers. */
function isStartOfFrame(marker: number): boolean {
  return marker >= 0xc0 && marker <= 0xcf && marker !== 0xc4 && marker !== 0xc8 && marker !== 0xcc;
}

/** Offset of the next marker from `from` that begins a segment of tables, frame or scan, or ends the picture; else the end. */
function findSegment(bytes: Uint8Array, gaps: Gaps, from: number): number {
  for (let at = from; ; at++) {
    at = bytes.indexOf(0xff, at);
    if (at < 0 || at + 1 >= bytes.length) return bytes.length;
    const gap = gapAfter(gaps, at);
    if (gap && gap[0] <= at + 1) {
      at = Math.max(at, gap[1] - 1);
      continue;
    }
    const marker = bytes[at + 1]!;
    if (marker === 0xd9 || marker === 0xda || marker === 0xdb || marker === 0xdd || marker === 0xc4) return at;
    if (isStartOfFrame(marker) || (marker >= 0xe0 && marker <= 0xef)) return at;
  }
}

/** Where the scan from `from` ends: at a marker that is neither stuffing, fill nor restart. Holes are passed over. */
function endOfScan(bytes: Uint8Array, gaps: Gaps, from: number): [end: number, closed: boolean] {
  let gap = gapAfter(gaps, from);
  for (let at = bytes.indexOf(0xff, from); at >= 0 && at + 1 < bytes.length; at = bytes.indexOf(0xff, at + 1)) {
    if (gap && gap[1] <= at) gap = gapAfter(gaps, at);
    if (gap && gap[0] <= at + 1) {
      at = Math.max(at, gap[1] - 1);
      continue;
    }
    const next = bytes[at + 1]!;
    if (next !== 0x00 && next !== 0xff && (next < 0xd0 || next > 0xd7)) return [at, true];
  }
  return [bytes.length, false];
}

function readFrame(marker: number, segment: Uint8Array): JpegFrame | null {
  const count = segment[5] ?? 0;
  if (marker > 0xc2 || segment[0] !== 8 || count === 0 || count > 4 || segment.length < 6 + 3 * count) return null;
  const height = (segment[1]! << 8) | segment[2]!;
  const width = (segment[3]! << 8) | segment[4]!;
  if (height === 0 || width === 0 || width * height > pixelLimit) return null;
  const components = Array.from({ length: count }, (_, i) => {
    const [id, sampling, table] = segment.subarray(6 + 3 * i, 9 + 3 * i);
    return { id: id!, h: sampling! >> 4, v: sampling! & 15, table: table! & 3 };
  });
  const blocks = components.reduce((sum, { h, v }) => sum + h * v, 0);
  if (components.some(({ h, v }) => h < 1 || h > 4 || v < 1 || v > 4) || (count > 1 && blocks > 10)) return null;
  return { width, height, progressive: marker === 0xc2, components };
}

function readQuantisation(segment: Uint8Array, tables: (Uint16Array | null)[]): void {
  for (let at = 0; at < segment.length; ) {
    const wide = segment[at]! >> 4;
    const number = segment[at]! & 3;
    const size = wide ? 128 : 64;
    if (at + 1 + size > segment.length) return;
    const values = segment.subarray(at + 1, at + 1 + size);
    tables[number] = Uint16Array.from({ length: 64 }, (_, k) =>
      wide ? (values[2 * k]! << 8) | values[2 * k + 1]! : values[k]!,
    );
    at += 1 + size;
  }
}

function readHuffman(segment: Uint8Array, state: HeaderState): void {
  for (let at = 0; at + 17 <= segment.length; ) {
    const kind = segment[at]!;
    const size = 16 + segment.subarray(at + 1, at + 17).reduce((sum, count) => sum + count, 0);
    const table = buildHuffmanTable(segment.subarray(at + 1, at + 1 + size));
    if (table) (kind >> 4 ? state.ac : state.dc)[kind & 3] = table;
    at += 1 + size;
  }
}

function readScan(
  segment: Uint8Array,
  state: HeaderState,
  afterHole: boolean,
): Omit<JpegScan, 'start' | 'end' | 'closed'> | null {
  const count = segment[0] ?? 0;
  const { frame } = state;
  if (!frame || count < 1 || count > 4 || segment.length < 4 + 2 * count) return null;
  const components: number[] = [];
  const dc: (HuffmanTable | null)[] = [];
  const ac: (HuffmanTable | null)[] = [];
  for (let i = 0; i < count; i++) {
    const index = frame.components.findIndex(({ id }) => id === segment[1 + 2 * i]);
    if (index < 0 || components.includes(index)) return null;
    components.push(index);
    dc.push(state.dc[(segment[2 + 2 * i]! >> 4) & 3]!);
    ac.push(state.ac[segment[2 + 2 * i]! & 3]!);
  }
  const [first, last, approximation] = segment.subarray(1 + 2 * count);
  return {
    components,
    dc,
    ac,
    spectralStart: first!,
    spectralEnd: last!,
    high: approximation! >> 4,
    low: approximation! & 15,
    restartInterval: state.restartInterval,
    afterHole,
  };
}
