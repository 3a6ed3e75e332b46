// What a ledger holds of one file: contents in lanes, each a sparse file with a table of the segments in it.
import type { SegmentTable } from './segment-table.js';

/** One content of a file, or a part of one. */
export type Lane = { readonly index: number; readonly path: string; readonly table: SegmentTable };

/** What came under one file number with one stated number of segments. */
export type StoredFile = {
  readonly id: string;
  readonly file: number;
  readonly segments: number;
  readonly lanes: Lane[];
};
