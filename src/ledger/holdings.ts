// What files and coverage are made of: a ledger, or a view of one in which its files appear otherwise.
import type { Ledger } from './ledger.js';

/** What files and coverage ask of a ledger, or of a view of one. */
export type Holdings = Pick<
  Ledger,
  | 'folder'
  | 'mission'
  | 'files'
  | 'receptions'
  | 'notes'
  | 'lostSegments'
  | 'segmentation'
  | 'byOffset'
  | 'payloadSize'
  | 'fullLength'
  | 'isDirective'
  | 'nextKey'
  | 'positionOf'
  | 'readSegments'
  | 'lossNotes'
>;
