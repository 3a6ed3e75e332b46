// Everything that a JPEG with holes still holds: its quantised coefficients where they belong, each MCU graded. ITU-T T.81.
import { type Gaps, gapAfter, type HeaderState, type JpegHeader, type JpegScan, readJpegHeader } from './header.js';
import { type Layout, layoutOf } from './layout.js';
import { coarse, gradeOf, likely, mcuBlocks, missing, placeScan, sure } from './place-scan.js';
import { readLayers } from './read-layers.js';
import { solveSize } from './solve-size.js';
import { readStretches } from './stretches.js';
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
  /** The size was lost too, and is that which makes the picture run on from row to row. */
  readonly solvedSize: boolean;
  /** APP segments that are there in full, as `[start, end)`. */
  readonly extras: readonly (readonly [start: number, end: number])[];
};

/** How much better the pieces have to fit together in another size than the lender's, natural units. */
const clearFit = 20;

/** What is left to tell once the coefficients are written. */
export type HoledFacts = Pick<
  HoledJpeg,
  'layout' | 'grades' | 'progressive' | 'borrowedHeader' | 'solvedSize' | 'unplaced'
> & {
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
    if (!borrowed || !isUsable(borrowed)) continue;
    let fitting = readScans(bytes, gaps, borrowed, true);
    let fit = (fitting?.fit ?? Number.NEGATIVE_INFINITY) + clearFit;
    for (const frame of borrowed.ownFrame ? [] : solveSize(bytes, gaps, borrowed)) {
      const read = readScans(bytes, gaps, { ...borrowed, frame }, true, true);
      if (read && read.fit > fit) [fitting, fit] = [read, read.fit];
    }
    if (fitting && (!best || shown(fitting) > shown(best))) best = fitting;
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

function borrowHeader(bytes: Uint8Array, gaps: Gaps, lent: Uint8Array): (JpegHeader & { ownFrame: boolean }) | null {
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
  if (completed && completed.scans[0]!.spectralStart === 0 && completed.scans[0]!.high === 0)
    return { ...completed, ownFrame: completed.frame !== lender.frame };
  // The begin of the scan is lost too: files of one sender have it at the same place.
  const { start } = scan;
  if (start >= bytes.length) return null;
  const rest = readJpegHeader(bytes, gaps, { ...withTables(state, lent), frame: lender.frame });
  const end = endOfData(bytes, gaps, start);
  const first: JpegScan = { ...scan, start, end: end.at, closed: end.closed, afterHole: true };
  return { ...lender, scans: [first, ...(rest?.scans ?? [])], extras: [], ownFrame: false };
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

function readScans(
  bytes: Uint8Array,
  gaps: Gaps,
  header: JpegHeader,
  borrowedHeader: boolean,
  solvedSize = false,
): (HoledJpeg & { fit: number }) | null {
  const { frame, scans, extras } = header;
  const layout = layoutOf(frame);
  const quantisation = frame.components.map(({ table }) => header.quantisation[table]!);
  const facts = { frame, layout, quantisation, progressive: frame.progressive, borrowedHeader, solvedSize, extras };
  const first = scans[0]!;
  if (!frame.progressive && first.spectralEnd === 63 && first.components.length === frame.components.length) {
    const placed = placeScan(readStretches(bytes, gaps, first), frame, layout, first, quantisation);
    if (!placed) return null;
    const grades = placed.place.map((place, m) => gradeOf(place, placed.brightness[m]!));
    return { ...facts, ...placed, grades };
  }
  const layers = readLayers(bytes, gaps, header, layout, quantisation);
  return layers && { ...facts, ...layers };
}

export { coarse, likely, missing, sure };
