// What to send next: the missing segments in the order of what they bring, pictures first, then clips, then the rest; and how they
// fill one rotation.

export type IncompleteFile = {
  readonly id: string;
  readonly name: string;
  readonly kind: 'picture' | 'clip' | 'other';
  /** What the whole file holds: pixels of a picture or frames of a clip where known, else bytes. */
  readonly amount: number;
  readonly unit: 'pixel' | 'frame' | 'byte';
  /** Segments in all; first and last of each missing range, as in missing.csv. */
  readonly segments: number;
  readonly missing: readonly (readonly [first: number, last: number])[];
};

export type NextFile = Omit<IncompleteFile, 'amount' | 'segments'> & {
  /** Segments to send. */
  readonly count: number;
  /** About how much can be shown once they are in that cannot now: decoders stop, or go wrong, at the first hole. */
  readonly gain: number;
  readonly gainPerSegment: number;
};

const KINDS = ['picture', 'clip', 'other'] as const;

/** Files with something missing, what brings most for each segment sent first. */
export function rankMissing(files: readonly IncompleteFile[]): NextFile[] {
  return files
    .filter(({ missing }) => missing.length > 0)
    .map(({ amount, segments, ...file }): NextFile => {
      const count = file.missing.reduce((sum, [first, last]) => sum + last - first + 1, 0);
      const gain = Math.round(amount * (1 - file.missing[0]![0] / Math.max(1, segments)));
      return { ...file, count, gain, gainPerSegment: gain / count };
    })
    .sort(
      (a, b) =>
        KINDS.indexOf(a.kind) - KINDS.indexOf(b.kind) ||
        b.gainPerSegment - a.gainPerSegment ||
        a.count - b.count ||
        (a.id < b.id ? -1 : 1),
    );
}

/** One stretch of transmissions, counted from the first of a repeat; `last` inclusive, as the segments' `first` and `last`. */
export type ScheduleRow = {
  readonly from: number;
  readonly id: string;
  readonly name: string;
  readonly first: number;
  readonly last: number;
};

export type Schedule = {
  /** The list is begun again so many transmissions after it was begun. */
  readonly every: number;
  readonly repeats: number;
  /** Segments in the list, and those missing that found no room in this rotation. */
  readonly segments: number;
  readonly left: number;
  readonly rows: readonly ScheduleRow[];
};

/** What is missing and in which order it would bring most; how it fills one rotation, where one is known. */
export type SendNext = {
  readonly files: readonly NextFile[];
  /** Of the missing segments alone, in one rotation, for the target; `null` = none, or no rotation known. */
  readonly repeats: number | null;
  readonly schedule: Schedule | null;
};

/**
 * @param transmissions that fit one rotation at the given rate
 * @param repeats of each segment in it
 */
export function scheduleRotation(files: readonly NextFile[], transmissions: number, repeats: number): Schedule {
  const every = Math.floor(transmissions / repeats);
  const rows: ScheduleRow[] = [];
  let used = 0;
  let left = 0;
  for (const { id, name, missing } of files) {
    for (const [first, last] of missing) {
      const take = Math.min(last - first + 1, every - used);
      if (take > 0) rows.push({ from: used, id, name, first, last: first + take - 1 });
      used += Math.max(0, take);
      left += last - first + 1 - Math.max(0, take);
    }
  }
  return { every, repeats, segments: used, left, rows };
}
