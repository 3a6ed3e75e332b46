// The report model: everything the JSON, CSV, terminal and HTML reports are made from, built once by the caller.
import type { CampaignDetails } from '../coverage/campaign-details.js';
import type { Coverage, MissingRange, Strip } from '../coverage/coverage.js';
import type { Estimate } from '../planning/estimate-repeats.js';
import type { ClipStretch } from './page-document.js';

/** A small picture of one file: a `data:image/…` URI and its size in pixels. */
export type Thumbnail = { readonly dataUri: string; readonly width: number; readonly height: number };

export type Report = {
  readonly coverage: Coverage;
  /** The rows of missing.csv, in the order of `coverage.files`. */
  readonly missing: readonly MissingRange[];
  /** At most one for each file. */
  readonly strips: readonly Strip[];
  /** By file id; a file without one is shown without a picture. */
  readonly thumbnails: ReadonlyMap<string, Thumbnail>;
  /** By file id: what became of each frame of a clip, where that is known. */
  readonly clips?: ReadonlyMap<string, readonly ClipStretch[]>;
  readonly details: CampaignDetails;
  /** How many repeats the next downlink needs; absent = not told. */
  readonly repeats?: Estimate;
  /** Program and version, for the foot of the page. */
  readonly madeBy: string;
};
