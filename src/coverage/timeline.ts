// The timeline of a campaign: when each station received, on one line of all transmissions, the on-board runs one after the other.

/** One on-board run; its counter `first` lies at position `at` of the line. */
export type TimelineRun = {
  readonly run: number;
  readonly at: number;
  /** On-board counters, unwrapped, inclusive. */
  readonly first: number;
  readonly last: number;
  /** When `first` was sent, ms since 1970 UTC: the median of what the recordings' clocks say; `null` where none tells. */
  readonly sentAt: number | null;
  /** How many clocks told, and how far the outermost are apart. */
  readonly clocks: number;
  readonly clockSpreadSeconds: number;
};

/** `length` positions from `start`, of which `received` arrived. */
export type Stretch = readonly [start: number, length: number, received: number];

export type TimelineStation = {
  /** `null` = what any of them received. */
  readonly name: string | null;
  readonly heard: readonly Stretch[];
  /** From the first to the last frame of each recording: `[start, end)`. */
  readonly listened: readonly (readonly [start: number, end: number])[];
};

export type Timeline = {
  readonly runs: readonly TimelineRun[];
  /** All together first (where there are several), then each by name. */
  readonly stations: readonly TimelineStation[];
  /** Positions of the line. */
  readonly length: number;
  /** Silences of up to this many transmissions are joined in `heard`; 0 = none. */
  readonly joined: number;
  /** Seconds from one transmission to the next; `null` where rate or length are unknown. */
  readonly frameSeconds: number | null;
  /** As the mission file says; `null` where it does not. */
  readonly rotationSeconds: number | null;
};
