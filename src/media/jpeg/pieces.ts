// Decodes all stretches of an interleaved or one-component sequential scan into pieces: runs of MCUs in a row whose place in the
// picture is not known yet. ITU-T T.81, F.2. What a decoder gives before it is on the true grid is left out.
import type { BlockStore } from './block-store.js';
import { type BitCursor, longestBlock, readBlock } from './entropy.js';
import { findMcu, type McuBlock } from './resync.js';
import type { ScanData, Stretch } from './stretches.js';

export type Piece = {
  /** In the store, MCUs. */
  readonly first: number;
  readonly count: number;
  /** The MCU it begins at where that is certain, else -1. */
  readonly fixed: number;
  /** Its first MCU behind a restart marker, counted from its own first, and the marker's number; `null` where it has none. */
  readonly restart: { readonly at: number; readonly number: number } | null;
  /** How many of its MCUs have a DC value that is only known up to a common offset. */
  readonly floating: number;
  /** How many of its first MCUs may not be on the true grid yet. */
  readonly doubtful: number;
  /** Bits between it and the piece before it. */
  readonly lostBits: number;
  /** Share of the trial decoders that ended on its way; 1 where no trial was needed. */
  readonly agreed: number;
};

/** Coefficients of all pieces, one after the other, MCU by MCU; DC as a sum since the piece's begin or the last restart. */
export type Pieces = BlockStore & {
  readonly blocks: readonly McuBlock[];
  /** Coded length of each MCU in the store, bits. */
  readonly bits: Uint16Array;
  readonly pieces: readonly Piece[];
  readonly totalMcus: number;
  /** Bits lost behind the last piece; -1 where the file ends inside the scan and nobody knows how many more there were. */
  readonly lostAfter: number;
};

type Draft = {
  first: number;
  count: number;
  fixed: number;
  restart: Piece['restart'];
  floating: number;
  doubtful: number;
  lostBits: number;
  agreed: number;
};

/**
 * @param totalMcus of the picture
 * @param restartInterval MCUs, 0 for none
 * @param shift places by which DC differences stand (successive approximation)
 */
export function decodePieces(
  { data, stretches }: ScanData,
  blocks: readonly McuBlock[],
  totalMcus: number,
  restartInterval: number,
  shift = 0,
): Pieces {
  const capacity = totalMcus + 1;
  const dcOnly = blocks.every(({ ac }) => ac === null);
  const longestMcu = blocks.length * longestBlock;
  // Coefficients take some 6 bits each; more room is made where they take less.
  let store = new Int16Array(blocks.length * (dcOnly ? capacity : 2) + (dcOnly ? 0 : 3 * data.length) + longestMcu);
  const begins = new Uint32Array(blocks.length * capacity + 1);
  const bits = new Uint16Array(capacity);
  const drafts: Draft[] = [];
  const components = 1 + Math.max(...blocks.map(({ component }) => component));
  const cursor: BitCursor = { data, at: 0, end: 0 };
  let used = 0;
  let lost = 0;
  let current = null as Draft | null;

  /** Decodes MCUs from the cursor into the store; stops at the end of the stretch or at what cannot be. */
  const readRun = (limit: number): { count: number; broken: boolean } => {
    const sums = new Int32Array(components);
    let count = 0;
    let block = blocks.length * used;
    let to = begins[block]!;
    while (count < limit && used + count < capacity) {
      const before = cursor.at;
      if (before >= cursor.end) break;
      if (store.length - to < longestMcu) {
        const grown = new Int16Array(Math.ceil(1.5 * store.length) + longestMcu);
        grown.set(store.subarray(0, to));
        store = grown;
      }
      let whole = true;
      for (let b = 0; b < blocks.length; b++) {
        const { dc, ac, component } = blocks[b]!;
        const next = readBlock(cursor, dc, ac, store, to);
        if (next < 0) {
          whole = false;
          break;
        }
        sums[component]! += store[to]! << shift;
        store[to] = sums[component]!;
        to = next;
        begins[++block] = to;
      }
      if (!whole) {
        // What is cut by the end of the stretch fails near it; anything else cannot be in these data.
        const broken = cursor.at + 32 < cursor.end;
        cursor.at = before;
        return { count, broken };
      }
      bits[used + count] = Math.min(65535, cursor.at - before);
      count++;
    }
    return { count, broken: false };
  };

  const readStretch = (stretch: Stretch) => {
    lost += 8 * stretch.lostBytes;
    cursor.at = stretch.start;
    cursor.end = stretch.end;
    const ends = typeof stretch.after === 'number' || stretch.after === 'scan';
    if (stretch.before !== 'hole') {
      const { count } = readRun(restartInterval || capacity);
      const clean = stretch.end - cursor.at < 8;
      const follows = current !== null && stretch.before !== 'scan';
      if (!follows) {
        current = {
          first: used,
          count: 0,
          fixed: stretch.before === 'scan' ? 0 : -1,
          restart: null,
          floating: 0,
          doubtful: 0,
          lostBits: lost,
          agreed: 1,
        };
        drafts.push(current);
        lost = 0;
      }
      if (typeof stretch.before === 'number') current!.restart ??= { at: current!.count, number: stretch.before };
      current!.count += count;
      used += count;
      if (current!.count === 0) lost += current!.lostBits;
      const full = count === restartInterval || stretch.after === 'scan';
      if (!(clean && full && ends)) {
        lost += stretch.end - cursor.at;
        current = null;
      }
      return;
    }
    current = null;
    for (;;) {
      const found = stretch.end - cursor.at >= 8 ? findMcu(cursor, blocks) : null;
      if (!found) {
        lost += stretch.end - cursor.at;
        return;
      }
      lost += found.at - cursor.at;
      cursor.at = found.at;
      const { count, broken } = readRun(restartInterval || capacity);
      if (broken) {
        lost += cursor.at + 8 - found.at;
        cursor.at += 8;
        continue;
      }
      if (count === 0) {
        lost += stretch.end - found.at;
        return;
      }
      const clean = ends && stretch.end - cursor.at < 8;
      if (ends && !clean && stretch.end - cursor.at > 64) {
        // More data than an interval has room for: not on the grid.
        lost += stretch.end - found.at;
        return;
      }
      let doubtful = 0;
      for (let at = found.at; at < found.sureAt && doubtful < count; doubtful++) at += bits[used + doubtful]!;
      const draft: Draft = {
        first: used,
        count,
        fixed: -1,
        restart: null,
        floating: count,
        doubtful,
        lostBits: lost,
        agreed: found.agreed,
      };
      drafts.push(draft);
      used += count;
      lost = clean ? 0 : stretch.end - cursor.at;
      if (clean) current = draft;
      return;
    }
  };

  for (const stretch of stretches) readStretch(stretch);
  const last = drafts.at(-1);
  if (last && current === last && stretches.at(-1)?.after === 'scan' && last.fixed < 0)
    last.fixed = totalMcus - last.count;
  // A hole without bytes at the end: the file is cut.
  const ending = stretches.at(-1);
  const cut = ending !== undefined && ending.after === 'hole' && ending.start < ending.end;
  const pieces = drafts.filter(({ count }) => count > 0);
  const stored = { store, begins: dcOnly ? null : begins, kept: dcOnly ? 1 : 0 };
  return { ...stored, blocks, bits, pieces, totalMcus, lostAfter: cut ? -1 : lost };
}
