// What the search finds at one level, and what a probe is: a look at the bytes of a level that claims a layer only on evidence that
// is no accident.
import type { LayerCounts } from '../layers/layer.js';
import type { CfdpGuess } from './cfdp-probe.js';
import type { FrameGuess } from './frame-guess.js';
import type { Tape } from './tape.js';

/** What the bytes inside a layer may be: which probes look at them. */
export type Level =
  | 'recording'
  | 'continuous'
  | 'hem'
  | 'packetised'
  | 'transport'
  | 'ip'
  | 'transfer frames'
  | 'packet zone'
  | 'bytes'
  | 'programme'
  | 'innermost';

/** One layer, with what makes it certain. */
export type Finding = {
  readonly layer: string;
  readonly options: Readonly<Record<string, unknown>>;
  /** In words, with numbers of the excerpt. */
  readonly proof: string;
  readonly counts: LayerCounts;
  /** Bytes of the level that this layer explains. */
  readonly explained: number;
  readonly level: Level;
  readonly tape: Tape | undefined;
  /** What is certain to be there and cannot be told, each in a sentence. */
  readonly unknown?: readonly string[];
  readonly frame?: FrameGuess;
  readonly cfdp?: CfdpGuess;
};

/** Looks at a level; the findings stand beside each other there (several ISIs, PIDs, channels). None = nothing is proven. */
export type Probe = (tape: Tape) => Finding[];

/** A finding and what was found inside it. */
export type Found = Omit<Finding, 'tape' | 'level'> & { readonly inner: readonly Found[] };

/** Siblings looked into at one level, at most: those with the most bytes. */
export const MAX_SIBLINGS = 8;

/** `12 of 14` */
export const outOf = (part: number, whole: number): string => `${part} of ${whole}`;

/** Numbers that `counts` names by `pattern`, whose first group tells which; the most frequent first. */
export function countsLike(counts: LayerCounts, pattern: RegExp): { key: string; times: number; groups: string[] }[] {
  return Object.entries(counts)
    .flatMap(([name, times]) => {
      const match = pattern.exec(name);
      return match && times > 0
        ? [{ key: match[1] ?? '', times, groups: match.slice(1).map((group) => group ?? '') }]
        : [];
    })
    .sort((a, b) => b.times - a.times);
}
