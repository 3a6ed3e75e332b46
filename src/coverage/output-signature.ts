// Tells whether what was written for a file still holds: a hash over all that it is made from. Where a ledger only grows, looking at
// sizes is enough to know that nothing has changed since the hash was computed.
import { createHash } from 'node:crypto';
import { type Edition, keysOf } from '../files/edition.js';
import type { Holdings } from '../ledger/holdings.js';

/** Goes up when what is written for the same segments changes. */
const OUTPUT_VERSION = 3;

/** Signatures of one ledger's editions, each computed once for every state of it. */
export class OutputSignatures {
  /** By edition. */
  readonly #contents = new Map<string, { readonly state: string; readonly hash: string }>();

  /**
   * Changes whenever what would be written changes: segments there and their contents, facts, name, and what it is made with.
   *
   * @param making all else that it is made with
   */
  of(edition: Edition, name: string, making: unknown, ledger: Holdings): string {
    const { total, facts, conflicts } = edition;
    const hash = createHash('sha1').update(JSON.stringify([OUTPUT_VERSION, name, making, total, facts, conflicts]));
    return hash.update(this.#contentOf(edition, ledger)).digest('hex');
  }

  #contentOf(edition: Edition, ledger: Holdings): string {
    const state = contentState(edition, ledger);
    const known = this.#contents.get(edition.id);
    if (state !== null && known?.state === state) return known.hash;
    const hash = hashContent(edition);
    if (state !== null) this.#contents.set(edition.id, { state, hash });
    return hash;
  }
}

/**
 * Equal for equal contents as long as one ledger stays open: segments only come, or are lost, which is counted. `null` where that
 * does not tell: of several contents others may be chosen, and the view of a file delivery is made anew each time.
 */
export function contentState({ stored, total }: Edition, ledger: Holdings): string | null {
  if (!stored) return `${total}`;
  if (stored.lanes.length > 1 || ledger.segmentation.varies) return null;
  return `${stored.id} ${total} ${stored.lanes[0]?.table.size ?? 0} ${ledger.lostSegments}`;
}

function hashContent(edition: Edition): string {
  const hash = createHash('sha1');
  let part: number[] = [];
  for (const key of keysOf(edition)) {
    const { table } = edition.lanesOf(key)[0]!;
    part.push(key, table.hashOf(key));
    if (part.length < 8192) continue;
    hash.update(Float64Array.from(part));
    part = [];
  }
  return hash.update(Float64Array.from(part)).digest('hex');
}
