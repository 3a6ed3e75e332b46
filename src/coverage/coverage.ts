// The coverage document: what arrived, what is missing, who has it. Published as coverage.json.
import type { FileState } from '../files/assemble.js';
import type { MediaDescription } from '../media/describe.js';

export type { FileState, MediaDescription };

/** Inclusive, as only reports speak. */
export type FirstLast = [first: number, last: number];

export type StationCoverage = {
  name: string;
  /** Number of recordings, and their bytes with the containers undone. */
  recordings: number;
  bytes: number;
  frames: {
    /** intact + damaged */
    read: number;
    intact: number;
    damaged: number;
    /** Transmissions heard here that another station heard too. */
    duplicate: number;
    /** Intact frames of transmissions that this station had recorded before (recordings that overlap). */
    overlapping: number;
    /** Transmissions sent between the first and the last frame of a recording and not received intact here. */
    lost: number;
  };
  segments: {
    /** Distinct segments. */
    received: number;
    /** Of these, held by no other station. */
    onlyHere: number;
    /** Transmissions that repeated a segment already had from this station. */
    repeated: number;
  };
};

export type RecordingCoverage = {
  station: string;
  name: string;
  xxh64: string;
  bytes: number;
  frames: { intact: number; damaged: number };
  /** What went wrong with it, in words; empty when nothing did. */
  problems: string[];
};

export type FileCoverage = {
  /** `FILE` or `FILE.EDITION`, as printed everywhere. */
  id: string;
  file: number;
  /** 1 for the first content seen under this file number. */
  edition: number;
  /** Made safe; the name of the output file. */
  name: string;
  /** `null` while the size is unknown. */
  bytes: number | null;
  state: FileState;
  /** Below the output folder, with `/`; `null` when nothing was written. */
  path: string | null;
  checksum: { algorithm: string; expected: string; actual: string | null; matches: boolean | null } | null;
  segments: {
    total: number;
    received: number;
    /** Unit of `missing`: segment numbers, or byte positions where segments are named by offset. */
    unit: 'segment' | 'byte';
    missing: FirstLast[];
  };
  /** Segments for which several contents with a valid CRC arrived, and what decided. */
  conflicts: { segment: number; variants: number; decided: 'checksum' | 'majority' | 'undecided' }[];
  /** Distinct segments of this file by station. */
  stations: Record<string, number>;
  media: MediaDescription | null;
  /** What can be looked at of an incomplete picture or clip; `null` when nothing can. */
  salvage: { path: string; note: string } | null;
};

export type Coverage = {
  format: 'passweave-coverage/1';
  mission: string;
  stations: StationCoverage[];
  recordings: RecordingCoverage[];
  files: FileCoverage[];
  totals: {
    files: { whole: number; unproven: number; partial: number; disputed: number };
    segments: { total: number; received: number; missing: number };
    bytes: { whole: number };
    frames: { read: number; intact: number; damaged: number };
    /** Distinct transmissions heard by anyone, and how often one was heard by more than one station. */
    transmissions: { received: number; acrossStations: number; acrossRepeats: number };
  };
  /** Things the reader should know: conflicts, data lost from the ledger, stations named twice. */
  notes: string[];
};

/** One missing range with what was heard of its last sending: a row of missing.csv. */
export type MissingRange = {
  id: string;
  name: string;
  first: number;
  last: number;
  /** On-board counter (unwrapped) and run of the latest sending of `first` that the receptions tell; `null` when they do not. */
  lastSent: { run: number; counter: number } | null;
};

/** How often each segment came: `[first, last, times]`, covering 0 to total-1 in order, from all stations together. */
export type Strip = { id: string; total: number; runs: [first: number, last: number, times: number][] };
