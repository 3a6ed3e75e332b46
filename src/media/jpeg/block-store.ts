// Quantised coefficients, block by block. Most of them are zero: where a scan holds all 64 of a block, only the others are kept.

export type BlockStore = {
  /**
   * With `begins`: of each block its DC value, then the zigzag index and the value of each coefficient that is not zero, in order.
   * Without: `kept` values of each block in zigzag order.
   */
  readonly store: Int16Array;
  /** Where each block begins in the store, and one more for where the last ends. */
  readonly begins: Uint32Array | null;
  /** Values of each block where there are no `begins`: 64, or only that of DC. */
  readonly kept: number;
};

/** Where the DC value of a block stands in the store. */
export function dcAt({ begins, kept }: Pick<BlockStore, 'begins' | 'kept'>, block: number): number {
  return begins ? begins[block]! : kept * block;
}

/** Puts all coefficients of a block into `out`, 64 in zigzag order. */
export function readCoefficients({ store, begins, kept }: BlockStore, block: number, out: Int16Array): void {
  out.fill(0);
  if (!begins) {
    for (let k = 0; k < kept; k++) out[k] = store[kept * block + k]!;
    return;
  }
  out[0] = store[begins[block]!]!;
  for (let at = begins[block]! + 1; at < begins[block + 1]!; at += 2) out[store[at]!] = store[at + 1]!;
}
