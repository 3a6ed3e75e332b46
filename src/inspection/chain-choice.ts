// Of all that was found, the one chain with the most mission content, and the others beside it.
import type { LayerChoice } from '../mission/mission.js';
import type { CfdpGuess } from './cfdp-probe.js';
import type { Found } from './finding.js';
import type { FrameGuess } from './frame-guess.js';

export type FoundChain = {
  /** From the recording inwards, without the mission's own frame, which is no layer of a mission file. */
  readonly layers: readonly LayerChoice[];
  readonly frame?: FrameGuess;
  readonly cfdp?: CfdpGuess;
  /** Bytes that its innermost layer explains. */
  readonly content: number;
  /** Whether it leads to mission frames or files. */
  readonly isWhole: boolean;
};

/** All chains, the one with the most content first; those that lead to frames or files before all others. */
export function chainsOf(found: readonly Found[]): FoundChain[] {
  const walk = (nodes: readonly Found[], outer: readonly LayerChoice[]): FoundChain[] =>
    nodes.flatMap((node) => {
      const { layer, options, frame, cfdp, explained, inner } = node;
      const layers = layer === 'frame' ? outer : [...outer, { name: layer, options }];
      if (inner.length > 0) return walk(inner, layers);
      const isWhole = frame !== undefined || cfdp !== undefined;
      return [{ layers, content: explained, isWhole, ...(frame && { frame }), ...(cfdp && { cfdp }) }];
    });
  return walk(found, []).sort((a, b) => Number(b.isWhole) - Number(a.isWhole) || b.content - a.content);
}
