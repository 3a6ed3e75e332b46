// Which block of the MCU a piece begins with, where decoders begun in different blocks all ran on without falling in step: with
// tables that share their short codes, DC differences of a plain part read alike in every phase. The right one gives the smoothest
// picture.
import { type BlockNeighbours, surprises } from './dc-plane.js';
import type { Pieces } from './pieces.js';

/** With a smaller share of the trial decoders in step the phase is open. */
const inStep = 0.5;
/** Blocks that are compared. */
const most = 12_000;

/**
 * @param decoded of a scan of DC values only; pieces that turn out to be out of phase are shifted in its store
 * @param low place of the last bit of the values
 */
export function settlePhases(decoded: Pieces, neighbours: readonly BlockNeighbours[], low: number): Pieces {
  const { store, kept, blocks } = decoded;
  const per = blocks.length;
  const pieces = decoded.pieces.map((piece) => {
    if (piece.agreed >= inStep || per === 1 || piece.count < 2) return piece;
    const from = kept * piece.first * per;
    const sums = new Int32Array(per);
    const steps = Int32Array.from({ length: piece.count * per }, (_, n) => {
      const { component } = neighbours[n % per]!;
      const value = store[from + kept * n]! >> low;
      const step = value - sums[component]!;
      sums[component] = value;
      return step;
    });
    let best = 0;
    let smoothest = Number.POSITIVE_INFINITY;
    for (let phase = 0; phase < per; phase++) {
      const left = surprises(addUp(steps.subarray(phase, phase + most - (most % per)), neighbours), neighbours);
      const cost = left.reduce((sum, value) => sum + Math.log(0.3 + Math.abs(value)), 0) / left.length;
      if (cost < smoothest) [best, smoothest] = [phase, cost];
    }
    if (best === 0) return piece;
    const values = addUp(steps.subarray(best, best + (piece.count - 1) * per), neighbours);
    for (const [n, value] of values.entries()) store[from + kept * n] = value << low;
    store.fill(0, from + kept * values.length, from + kept * steps.length);
    const count = piece.count - 1;
    return { ...piece, count, floating: count };
  });
  return { ...decoded, pieces };
}

function addUp(steps: Int32Array, neighbours: readonly BlockNeighbours[]): Int32Array {
  const sums = new Int32Array(neighbours.length);
  return steps.map((step, n) => (sums[neighbours[n % neighbours.length]!.component]! += step));
}
