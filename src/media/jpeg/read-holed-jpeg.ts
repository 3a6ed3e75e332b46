// Everything that a JPEG with holes still holds: its quantised coefficients where they belong, each MCU graded. ITU-T T.81.
import { type Gaps, gapAfter, type HeaderState, type JpegHeader, type JpegScan, readJpegHeader } from './header.js';
import { type Layout, layoutOf } from './layout.js';
import { decodePieces } from './pieces.js';
import {
  blockOfMcu,
  coarse,
  likely,
  mcuBlocks,
  missing,
  type PlacedScan,
  placeScan,
  scanSize,
  sure,
} from './place-scan.js';
import { applyAcRefinement, applyDcRefinement, applyFirstAc } from './progressive.js';
import { readStretches, type ScanData, type Stretch } from './stretches.js';
import type { Coefficients } from './write-jpeg.js';

export type HoledJpeg = Coefficients & {
  readonly layout: Layout;
  /** By MCU: `missing`, `coarse`, `likely` or `sure`: the least of what place, brightness and detail are. */
  readonly grades: Uint8Array;
  /** By MCU: `missing`, `likely` or `sure`. */
  readonly place: Uint8Array;
  /** By MCU: how sure its brightness is, `missing` where nothing tells. */
  readonly brightness: Uint8Array;
  readonly progressive: boolean;
  /** MCUs that arrived but could not be placed. */
  readonly unplaced: number;
  /** The header, or part of it, was taken from another file. */
  readonly borrowedHeader: boolean;
  /** APP segments that are there in full, as `[start, end)`. */
  readonly extras: readonly (readonly [start: number, end: number])[];
};

/** What is left to tell once the coefficients are written. */
export type HoledFacts = Pick<HoledJpeg, 'layout' | 'grades' | 'progressive' | 'borrowedHeader' | 'unplaced'> & {
  readonly width: number;
  readonly height: number;
};

/**
 * Reads what there is.
 *
 * @param bytes the file, anything in its gaps; not changed, not kept
 * @param gaps missing ranges, half open, in order, disjoint
 * @param known headers of whole files of the same sender (`extractJpegHeader`), tried where the file's own is lost
 * @returns `null` where it is no JPEG of a kind that can be read (Huffman coded, 8 bits), or nothing of it can be shown
 */
export function readHoledJpeg(bytes: Uint8Array, gaps: Gaps, known: readonly Uint8Array[] = []): HoledJpeg | null {
  const own = readJpegHeader(bytes, gaps);
  if (own && isUsable(own)) {
    const read = readScans(bytes, gaps, own, false);
    if (read) return read;
  }
  let best: HoledJpeg | null = null;
  for (const header of known) {
    const borrowed = borrowHeader(bytes, gaps, header);
    const read = borrowed && isUsable(borrowed) ? readScans(bytes, gaps, borrowed, true) : null;
    if (read && (!best || shown(read) > shown(best))) best = read;
  }
  return best;
}

/** The part of a whole file that decoding others of the same sender needs: all from its begin to its first scan's data. */
export function extractJpegHeader(bytes: Uint8Array): Uint8Array | null {
  const header = readJpegHeader(bytes, []);
  return header && isUsable(header) ? bytes.slice(0, header.scans[0]!.start) : null;
}

function shown({ grades }: HoledJpeg): number {
  return grades.reduce((sum, grade) => sum + grade, 0);
}

function isUsable({ frame, quantisation, scans }: JpegHeader): boolean {
  if (!frame.components.every(({ table }) => quantisation[table])) return false;
  const first = scans[0]!;
  return first.spectralStart === 0 && first.high === 0 && mcuBlocks(layoutOf(frame), first) !== null;
}

function borrowHeader(bytes: Uint8Array, gaps: Gaps, lent: Uint8Array): JpegHeader | null {
  const lender = readJpegHeader(lent, []);
  const scan = lender?.scans[0];
  if (!lender || !scan) return null;
  const state: HeaderState = {
    frame: lender.frame,
    quantisation: [...lender.quantisation],
    dc: [null, null, null, null],
    ac: [null, null, null, null],
    restartInterval: scan.restartInterval,
  };
  const completed = readJpegHeader(bytes, gaps, withTables(state, lent));
  if (completed && completed.scans[0]!.spectralStart === 0 && completed.scans[0]!.high === 0) return completed;
  // The begin of the scan is lost too: files of one sender have it at the same place.
  const { start } = scan;
  if (start >= bytes.length) return null;
  const rest = readJpegHeader(bytes, gaps, { ...withTables(state, lent), frame: lender.frame });
  const end = endOfData(bytes, gaps, start);
  const first: JpegScan = { ...scan, start, end: end.at, closed: end.closed, afterHole: true };
  return { ...lender, scans: [first, ...(rest?.scans ?? [])], extras: [] };
}

function withTables(state: HeaderState, lent: Uint8Array): HeaderState {
  const scan = readJpegHeader(lent, [])!.scans[0]!;
  const dc = [...state.dc];
  const ac = [...state.ac];
  const sos = lent.subarray(lent.length - 2 * scan.components.length - 3, lent.length - 3);
  for (let i = 0; i < scan.components.length; i++) {
    dc[(sos[2 * i + 1]! >> 4) & 3] = scan.dc[i]!;
    ac[sos[2 * i + 1]! & 3] = scan.ac[i]!;
  }
  return { ...state, dc, ac };
}

function endOfData(bytes: Uint8Array, gaps: Gaps, from: number): { at: number; closed: boolean } {
  for (let at = bytes.indexOf(0xff, from); at >= 0 && at + 1 < bytes.length; at = bytes.indexOf(0xff, at + 1)) {
    const gap = gapAfter(gaps, at);
    const next = bytes[at + 1]!;
    if (gap && gap[0] <= at + 1) continue;
    if (next !== 0 && next !== 0xff && (next < 0xd0 || next > 0xd7)) return { at, closed: true };
  }
  return { at: bytes.length, closed: false };
}

function readScans(bytes: Uint8Array, gaps: Gaps, header: JpegHeader, borrowedHeader: boolean): HoledJpeg | null {
  const { frame, scans, extras } = header;
  const layout = layoutOf(frame);
  const quantisation = frame.components.map(({ table }) => header.quantisation[table]!);
  const facts = { frame, layout, quantisation, progressive: frame.progressive, borrowedHeader, extras };
  const first = scans[0]!;
  if (!frame.progressive && first.components.length === frame.components.length) {
    const placed = placeScan(readStretches(bytes, gaps, first), frame, layout, first, quantisation);
    if (!placed) return null;
    const grades = placed.place.map((place, m) => gradeOf(place, placed.brightness[m]!));
    return { ...facts, ...placed, grades };
  }
  return readLayers(bytes, gaps, header, facts);
}

function gradeOf(place: number, brightness: number): number {
  return place === missing ? missing : brightness === missing ? coarse : Math.min(place, brightness);
}

type Facts = Omit<HoledJpeg, 'blocks' | 'store' | 'source' | 'grades' | 'place' | 'brightness' | 'unplaced'>;

/** Several scans: progressive, or one for each component. */
function readLayers(bytes: Uint8Array, gaps: Gaps, { frame, scans }: JpegHeader, facts: Facts): HoledJpeg | null {
  const { layout, quantisation } = facts;
  const blockCount = layout.mcus * layout.blocksPerMcu;
  const store = new Int16Array(64 * blockCount);
  const applied = new Uint32Array(blockCount);
  const planes = { layout, store, applied };
  const place = new Uint8Array(layout.mcus).fill(sure);
  const brightness = new Uint8Array(layout.mcus).fill(sure);
  const seen = frame.components.map(() => 0);
  // By component and coefficient: the bit that scans have come down to, -1 before any.
  const reached = frame.components.map(() => new Int8Array(64).fill(-1));
  let unplaced = 0;
  for (const scan of scans) {
    const bits = scan.components.map((c) => 1 << Math.min(30, seen[c]!++));
    if (!hasTables(scan)) continue;
    // A scan before this one may be lost as a whole; what refines it cannot be read then.
    const follows = scan.components.every((c) =>
      reached[c]!.subarray(scan.spectralStart, scan.spectralEnd + 1).every(
        (bit) => bit === (scan.high === 0 ? -1 : scan.high),
      ),
    );
    if (!follows) continue;
    for (const c of scan.components) reached[c]!.fill(scan.low, scan.spectralStart, scan.spectralEnd + 1);
    const data = cutAtEnd(readStretches(bytes, gaps, scan), layout, scan);
    if (scan.spectralStart === 0 && scan.high === 0) {
      const placed = placeScan(data, frame, layout, scan, quantisation);
      if (!placed) continue;
      unplaced += placed.unplaced;
      copyPlaced(placed, scan, planes, bits, place, brightness);
    } else if (scan.components.length === 1 && scan.spectralStart > 0) {
      if (scan.high === 0) applyFirstAc(planes, scan, data, bits[0]!);
      else applyAcRefinement(planes, scan, data, bits[0]!);
    } else if (scan.spectralStart === 0 && scan.spectralEnd === 0) applyDcRefinement(planes, scan, data, bits);
  }
  const complete = seen.map((count) => 2 ** Math.min(31, count) - 1);
  const blocks = layout.parts.flatMap(({ h, v }, component) => Array.from({ length: h * v }, () => ({ component })));
  const source = new Int32Array(layout.mcus);
  const grades = new Uint8Array(layout.mcus);
  const finished = reached.every((bits) => bits.every((bit) => bit === 0));
  for (let m = 0; m < layout.mcus; m++) {
    let all = finished;
    let any = true;
    for (const [b, { component }] of blocks.entries()) {
      const done = applied[m * blocks.length + b]!;
      // Blocks beyond the picture's edge are in no scan of one component.
      if (done !== complete[component] && !isPadding(layout, component, m, b)) all = false;
      if (component === 0 && !(done & 1) && !isPadding(layout, component, m, b)) any = false;
    }
    source[m] = any ? m : -1;
    if (!any) place[m] = missing;
    grades[m] = !any ? missing : all ? gradeOf(place[m]!, brightness[m]!) : coarse;
  }
  if (grades.every((grade) => grade === missing)) return null;
  return { ...facts, blocks, store, source, grades, place, brightness, unplaced };
}

/**
 * Where the begin of the next scan is lost, the stretches behind it are taken for this one's. Those of a DC scan tell how many of
 * them it can have.
 */
function cutAtEnd(data: ScanData, layout: Layout, scan: JpegScan): ScanData {
  if (scan.spectralEnd > 0 || scan.high > 0 || data.stretches.length === 1) return data;
  const blocks = mcuBlocks(layout, scan);
  if (!blocks) return data;
  const { mcus } = scanSize(layout, scan);
  const first = data.stretches.find(({ start, end }) => end - start > 800) ?? data.stretches[0]!;
  const sample = decodePieces(
    { data: data.data, stretches: [{ ...first, after: 'hole' }] },
    blocks,
    mcus,
    scan.restartInterval,
  );
  const decoded = sample.pieces.reduce((sum, { count }) => sum + count, 0);
  if (decoded === 0) return data;
  const mean = (first.end - first.start) / decoded;
  const bitsOf = ({ start, end, lostBytes }: Stretch) => end - start + 8 * lostBytes;
  const total = data.stretches.reduce((sum, stretch) => sum + bitsOf(stretch), 0);
  if (total < 1.3 * mean * mcus) return data;
  let sum = 0;
  const kept = data.stretches.filter((stretch) => {
    const before = sum + 8 * stretch.lostBytes;
    sum += bitsOf(stretch);
    return before < 0.93 * mean * mcus;
  });
  return {
    data: data.data,
    stretches: kept.map((s, i) => (i === kept.length - 1 ? { ...s, after: 'hole' as const } : s)),
  };
}

function hasTables(scan: JpegScan): boolean {
  if (scan.spectralStart > 0) return scan.ac[0] !== null;
  return scan.high > 0 || scan.dc.every((table) => table !== null);
}

function copyPlaced(
  placed: PlacedScan,
  scan: JpegScan,
  { layout, store, applied }: { layout: Layout; store: Int16Array; applied: Uint32Array },
  bits: readonly number[],
  place: Uint8Array,
  brightness: Uint8Array,
): void {
  const { mcus } = scanSize(layout, scan);
  const count = placed.blocks.length;
  for (let m = 0; m < mcus; m++) {
    const from = placed.source[m]!;
    for (let b = 0; b < count; b++) {
      const index = blockOfMcu(layout, scan, m, b);
      const mcu = Math.floor(index / layout.blocksPerMcu);
      if (from < 0) continue;
      place[mcu] = Math.min(place[mcu]!, placed.place[m]!);
      brightness[mcu] = Math.min(brightness[mcu]!, placed.brightness[m]!);
      applied[index]! |= bits[placed.blocks[b]!.component]!;
      store.set(placed.store.subarray(64 * (from * count + b), 64 * (from * count + b) + 64), 64 * index);
    }
  }
}

/** Whether block `b` of an MCU lies wholly beyond the component's own blocks. */
function isPadding({ across, parts }: Layout, component: number, mcu: number, b: number): boolean {
  const { first, h, v, blocksAcross, blocksDown } = parts[component]!;
  const inPart = b - first;
  const x = (mcu % across) * h + (inPart % h);
  const y = Math.floor(mcu / across) * v + Math.floor(inPart / h);
  return x >= blocksAcross || y >= blocksDown;
}

export { coarse, likely, missing, sure };
