// What the page shows, as plain data: the same for the page on disk and for one that is fed while recordings come in. All text in
// it is fit to be shown (see visible-text.ts) and every link leads to a file beside the page; views add nothing to that.
// Types only, of their own: the page's program is made from them without the rest of this one.
import type { Timeline } from '../coverage/timeline.js';
import type { CodedStrip } from './strip-code.js';

export type FileState = 'whole' | 'unproven' | 'partial' | 'disputed';

/** Frames of a clip that follow each other, in playing order, and what became of them. */
export type ClipStretch = readonly [frames: number, kind: 'exact' | 'damaged' | 'tainted' | 'missing'];

export type PageFile = {
  readonly id: string;
  readonly name: string;
  readonly state: FileState;
  readonly bytes: number | null;
  readonly unit: 'segment' | 'byte';
  readonly total: number;
  readonly received: number;
  /** What was written of it: link, or `null`. */
  readonly link: string | null;
  /** What can be looked at of it where it is incomplete. */
  readonly salvage: { readonly link: string | null; readonly note: string } | null;
  readonly kind: 'picture' | 'clip' | null;
  readonly thumbnail: { readonly source: string; readonly width: number; readonly height: number } | null;
  /** Sentences on checksum, contents that differ, what it decodes as. */
  readonly remarks: readonly string[];
  /** Distinct segments held, in the order of `PageDocument.stations`. */
  readonly held: readonly number[];
  readonly strip: CodedStrip | null;
  readonly frames: readonly ClipStretch[] | null;
};

/** As in the coverage document. */
export type PageStation = {
  readonly name: string;
  readonly recordings: number;
  readonly bytes: number;
  readonly frames: Readonly<Record<'read' | 'intact' | 'damaged' | 'duplicate' | 'overlapping' | 'lost', number>>;
  readonly segments: Readonly<Record<'received' | 'onlyHere' | 'repeated', number>>;
};

/** As in the coverage document; `startedAt` in ms since 1970 UTC by the station's clock. */
export type PageRecording = {
  readonly station: string;
  readonly name: string;
  readonly xxh64: string;
  readonly bytes: number;
  readonly frames: Readonly<Record<'intact' | 'damaged', number>>;
  readonly problems: readonly string[];
  readonly startedAt: number | null;
};

/** As in the coverage document. */
export type PageTotals = {
  readonly files: Readonly<Record<FileState, number>>;
  readonly segments: Readonly<Record<'total' | 'received' | 'missing', number>>;
  readonly bytes: { readonly whole: number };
  readonly frames: Readonly<Record<'read' | 'intact' | 'damaged', number>>;
  readonly transmissions: Readonly<Record<'received' | 'acrossStations' | 'acrossRepeats', number>>;
};

/** `run` and `counter` of the latest sending are -1 where no reception tells; `file` is an index into `files`. */
export type PageMissing = readonly [file: number, first: number, last: number, run: number, counter: number];

export type PageDocument = {
  readonly mission: string;
  readonly madeBy: string;
  /** The summary, the most important sentence first. */
  readonly words: readonly string[];
  /** Strips tell this for counts of this and more. */
  readonly countedTo: number;
  readonly totals: PageTotals;
  readonly files: readonly PageFile[];
  readonly stations: readonly PageStation[];
  /** Stations by index into `stations`. */
  readonly pairs: readonly {
    readonly stations: readonly [number, number];
    readonly transmissions: number | null;
    readonly segments: number;
  }[];
  /** In the order of `stations`; `files` by index. */
  readonly without: readonly { readonly segments: number; readonly files: readonly number[] }[];
  readonly timeline: Timeline;
  readonly missing: readonly PageMissing[];
  /** Rows of missing.csv, also those that `missing` leaves out. */
  readonly missingTotal: number;
  readonly recordings: readonly PageRecording[];
  readonly settings: readonly (readonly [name: string, value: string])[];
  readonly notes: readonly string[];
  /** Markup of our own making for the view of repeats; `null` where nothing was estimated. */
  readonly repeats: string | null;
};

/** How things stand, on a page that is fed. */
export type LiveState = {
  /** When this was so, ms since 1970 UTC. */
  readonly at: number;
  /** Recordings found, those of them that still grow, and those that wait to be complete or read. */
  readonly recordings: number;
  readonly growing: number;
  readonly waiting: number;
  /** Datagrams received, and those lost on this machine; `null` where none are expected. */
  readonly datagrams: { readonly received: number; readonly lost: number } | null;
};

/** What is not packed of a file. */
export type PackedFile = Omit<PageFile, 'strip'>;

/** What is counted anew between two documents: of the files that changed all but their strips. */
export type DocumentChanges = Pick<PageDocument, 'words' | 'totals'> & { readonly files: readonly PackedFile[] };

/** The document as it stands in a page (see pack-document.ts): `packed` holds the fields that are not here: see `PackedParts`. */
export type PackedDocument = Omit<PageDocument, 'missing' | 'timeline' | 'files'> & {
  readonly files: readonly PackedFile[];
  readonly packed: string;
};

export type PackedParts = Pick<PageDocument, 'missing' | 'timeline'> & {
  readonly strips: readonly PageDocument['files'][number]['strip'][];
};
