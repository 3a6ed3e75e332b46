// The scan that adds the last bit to each DC value (ITU-T T.81, G.1.2.1) tells where pieces of the first scan lie: it has one bit
// for each block and no codes, so the place of each bit is known by counting bytes, and of two values that a bit may give the one
// that is nearer to the neighbours' is likelier. Thousands of bits under one piece leave hardly any doubt.
import { dcAt } from './block-store.js';
import { blockNeighbours, surprises } from './dc-plane.js';
import { correlate, makeSpectrum, type Spectrum, spectrumOf } from './fourier.js';
import type { JpegScan } from './header.js';
import type { Layout } from './layout.js';
import type { Piece, Pieces } from './pieces.js';
import type { ScanData } from './stretches.js';

/** One stretch of the bits, each 1 or -1. */
export type BitRun = {
  readonly bits: Int8Array;
  /** Where its first bit may stand in the order of the scan's blocks, with the logarithm of how likely that is. */
  readonly begins: readonly { readonly at: number; readonly log: number }[];
  /** How likely it is that these are such bits at all. */
  readonly trust: number;
};

/** Share of bytes that are 255 and so have a stuffed byte after them, where bits are even. */
const stuffedShare = 1 / 257;
/** Bytes that stuffing may differ by from what is expected: plain white or black parts are all 255 or none. */
const mostOff = 40;

/**
 * @param data of the scan that refines, or of one that may end with it
 * @param scan its header
 * @param total blocks in it
 * @param hidden whether its own header is lost: only counted from the end, and hardly trusted
 */
export function readDcRefinement(
  { data, stretches }: ScanData,
  { start, end, closed, restartInterval }: Pick<JpegScan, 'start' | 'end' | 'closed' | 'restartInterval'>,
  total: number,
  hidden: boolean,
): BitRun[] {
  if (restartInterval > 0 || stretches.some(({ before }) => typeof before === 'number')) return [];
  const bytes = Math.ceil(total / 8);
  const held = stretches.reduce((sum, stretch) => sum + (stretch.end - stretch.start) / 8, 0);
  const lost = stretches.reduce((sum, { lostBytes }) => sum + lostBytes, 0);
  const stuffed = end - start - held - lost;
  // What stuffing is in the holes, where this scan's end is the one found.
  const inHoles = end - start - bytes - stuffed;
  const endKnown = hidden || (closed && inHoles >= -2 && inHoles < 12 + 3 * lost * stuffedShare);
  const runs: BitRun[] = [];
  let [heldBefore, lostBefore] = [0, 0];
  for (const stretch of stretches) {
    lostBefore += stretch.lostBytes;
    const size = (stretch.end - stretch.start) / 8;
    // Bytes of holes that count: before it, or from it to the end.
    const counted = hidden ? lost - lostBefore : lostBefore;
    const first = hidden ? bytes - (held - heldBefore) - counted : heldBefore + counted;
    const ratio = lostBefore / Math.max(1, lost);
    const known = endKnown && !hidden;
    const mean = known ? Math.max(0, inHoles) * ratio : counted * stuffedShare;
    const variance = known ? mean * (1 - ratio) : mean;
    const begins: { at: number; log: number }[] = [];
    // Student's t with three degrees of freedom.
    for (let count = Math.max(-1, Math.floor(mean) - mostOff); count <= mean + mostOff; count++) {
      const log =
        -2 * Math.log(1 + (count - mean) ** 2 / (3 * (variance + 0.5))) - 0.5 * Math.log(7.4 * (variance + 0.5));
      const at = 8 * (hidden ? first + count : first - count);
      if (variance > 0 && counted > 0) begins.push({ at, log });
      else if (count === Math.round(mean)) begins.push({ at, log: 0 });
    }
    heldBefore += size;
    if (begins.every(({ at }) => at >= total || at + 8 * size <= 0)) continue;
    const bits = new Int8Array(stretch.end - stretch.start);
    for (let i = 0, bit = stretch.start; i < bits.length; i++, bit++)
      bits[i] = (data[bit >> 3]! >> (7 - (bit & 7))) & 1 ? 1 : -1;
    runs.push({ bits, begins, trust: hidden ? 0.05 : 0.9999 });
  }
  return runs;
}

/** Bits of a piece that are looked at: enough to tell, few enough for large pictures. */
const mostBits = 16_384;
/** MCUs on either side over which the size of what prediction leaves is averaged. */
const around = 3;

/** What each bit should be: `weights` in natural units (half the log-odds), and the sum of what they promise. */
type Expectation = { readonly weights: Float64Array; readonly promised: Float64Array };

/** From each block's neighbours: right and left, above and below, where they are in the piece. */
function expectBits(
  { store, begins, kept, blocks }: Pieces,
  { first, count, doubtful }: Piece,
  parts: Layout['parts'],
  width: number,
  low: number,
): Expectation {
  const per = blocks.length;
  const mcus = Math.min(count, Math.floor(mostBits / per));
  const total = mcus * per;
  const values = Float64Array.from({ length: total }, (_, n) => store[dcAt({ begins, kept }, first * per + n)]! >> low);
  const neighbours = blockNeighbours(parts, width);
  const off = surprises(values, neighbours).map((value) => 2 * value);
  // Sums of squares by MCU and component, for the sizes around.
  const squares = parts.map(() => new Float64Array(mcus + 1));
  for (let m = 0, n = 0; m < mcus; m++) {
    for (const sums of squares) sums[m + 1] = sums[m]!;
    for (const { component } of neighbours) squares[component]![m + 1]! += off[n++]! ** 2;
  }
  const weights = new Float64Array(total);
  const promised = new Float64Array(total + 1);
  for (let n = 0; n < total; n++) {
    const m = Math.floor(n / per);
    const { component } = neighbours[n % per]!;
    const { h, v } = parts[component]!;
    const [a, b] = [Math.max(0, m - around), Math.min(mcus, m + around + 1)];
    const size = (squares[component]![b]! - squares[component]![a]! - off[n]! ** 2) / Math.max(1, (b - a) * h * v - 1);
    // Student's t with four degrees of freedom: half the log-odds of the nearer value.
    if (m >= doubtful)
      weights[n] = Math.max(-1, Math.min(1, (-2.5 * off[n]!) / (4 * (0.7 * size + 0.4) + off[n]! ** 2)));
    promised[n + 1] = promised[n]! + Math.log(Math.cosh(weights[n]!));
  }
  return { weights, promised };
}

/** What is so much less likely does not count, natural units. */
const negligible = 20;

/**
 * By piece and the MCU it may begin at: log-likelihood of the bits there, against bits that have nothing to do with it.
 *
 * @param parts of the scan's components
 * @param width MCUs in a row
 * @param low place of the last bit of the values, as in the scan's header
 */
export function matchRefinement(
  decoded: Pieces,
  runs: readonly BitRun[],
  parts: Layout['parts'],
  width: number,
  low: number,
): Float32Array[] {
  const { pieces, totalMcus, blocks } = decoded;
  const per = blocks.length;
  const spectra = runs.map(() => new Map<number, Spectrum>());
  // Room by size: that of the piece, and that of the result.
  const rooms = new Map<number, readonly [own: Spectrum, sums: Spectrum]>();
  return pieces.map((piece) => {
    const { weights, promised } = expectBits(decoded, piece, parts, width, low);
    const done = new Set<number>();
    const result = new Float32Array(Math.max(0, totalMcus - piece.count) + 1);
    for (const [j, { bits, begins, trust }] of runs.entries()) {
      const size = 2 ** Math.ceil(Math.log2(bits.length + weights.length));
      const [own, agreement] = rooms.get(size) ?? [makeSpectrum(size), makeSpectrum(size)];
      if (!done.has(size)) spectrumOf(weights, size, [], own);
      done.add(size);
      rooms.set(size, [own, agreement]);
      if (!spectra[j]!.has(size)) spectra[j]!.set(size, spectrumOf(bits, size));
      const { re: sums } = correlate(spectra[j]!.get(size)!, own, agreement);
      const earliest = begins.reduce((least, { at }) => Math.min(least, at), begins[0]!.at);
      const latest = begins.reduce((most, { at }) => Math.max(most, at), earliest) + bits.length;
      for (let at = 0; at < result.length; at++) {
        if (at * per >= latest || at * per + weights.length <= earliest) continue;
        // The logarithm of a sum of exponentials, by the largest of them.
        let [most, rest] = [Math.log(1 - trust), 1];
        for (const { at: begin, log } of begins) {
          const lag = at * per - begin;
          const [from, to] = [Math.max(0, -lag), Math.min(weights.length, bits.length - lag)];
          const sum = to > from ? sums[lag < 0 ? size + lag : lag]! - promised[to]! + promised[from]! : 0;
          const score = Math.log(trust) + log + sum;
          if (score < most - negligible) continue;
          rest = score > most ? 1 + rest * Math.exp(most - score) : rest + Math.exp(score - most);
          if (score > most) most = score;
        }
        result[at]! += most + Math.log(rest);
      }
    }
    return result;
  });
}

/** How much likelier the begin of a run of bits has to be than any other to be settled, natural units. */
const settledFrom = 10;

/** The runs, their begins settled where pieces whose place is certain (`fixed`) tell them. */
export function settleRuns(
  decoded: Pieces,
  runs: readonly BitRun[],
  parts: Layout['parts'],
  width: number,
  low: number,
): readonly BitRun[] {
  if (runs.every(({ begins }) => begins.length === 1)) return runs;
  const per = decoded.blocks.length;
  const held = decoded.pieces.filter(({ fixed }) => fixed >= 0);
  const expected = held.map((piece) => ({ piece, ...expectBits(decoded, piece, parts, width, low) }));
  return runs.map((run) => {
    if (run.begins.length === 1) return run;
    const scores = run.begins.map(({ at: begin, log }) => {
      let score = log;
      for (const { piece, weights, promised } of expected) {
        const lag = piece.fixed * per - begin;
        const [from, to] = [Math.max(0, -lag), Math.min(weights.length, run.bits.length - lag)];
        if (to <= from) continue;
        score += promised[from]! - promised[to]!;
        for (let n = from; n < to; n++) score += weights[n]! * run.bits[n + lag]!;
      }
      return score;
    });
    const best = scores.indexOf(Math.max(...scores));
    if (scores.some((score, i) => i !== best && score > scores[best]! - settledFrom)) return run;
    return { ...run, begins: [{ ...run.begins[best]!, log: 0 }] };
  });
}
