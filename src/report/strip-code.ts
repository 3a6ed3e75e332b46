// How often each segment came, as short text for the page: a letter for the count (`a` = 0, `b` = 1, …), then how many segments in a
// row have it where it is more than one. `a12bc3` = 12 segments missing, one received once, three received twice.

/** Counts above this are written as this. */
export const MOST_COUNTED = 25;

/** See `Strip` of the coverage. */
type Strip = {
  readonly total: number;
  readonly runs: readonly (readonly [first: number, last: number, times: number])[];
};

/** A strip as the page takes it; `grain` segments (the last time perhaps fewer) share one count, the lowest of theirs. */
export type CodedStrip = { readonly total: number; readonly grain: number; readonly code: string };

/** The runs of a coded strip: run `i` covers `[starts[i], starts[i + 1])` and came `counts[i]` times. */
export type StripRuns = { readonly total: number; readonly starts: Float64Array; readonly counts: Uint8Array };

/** @param most counts above it are told as it */
export function codeStrip({ total, runs }: Strip, most: number = MOST_COUNTED): CodedStrip {
  return {
    total,
    grain: 1,
    code: codeRuns(
      runs.map(([first, last, times]) => [last - first + 1, times]),
      most,
    ),
  };
}

/** The same in at most `columns` columns, each with the lowest count in it: nothing missing gets lost. */
export function coarseStrip({ total, runs }: Strip, columns: number, most: number): CodedStrip {
  const grain = Math.max(1, Math.ceil(total / columns));
  const lowest = new Uint8Array(Math.ceil(total / grain)).fill(most);
  for (const [first, last, times] of runs) {
    for (let column = Math.floor(first / grain); column <= Math.floor(last / grain); column++) {
      lowest[column] = Math.min(lowest[column]!, times);
    }
  }
  return {
    total,
    grain,
    code: codeRuns(
      Array.from(lowest, (times): [number, number] => [1, times]),
      most,
    ),
  };
}

function codeRuns(runs: readonly (readonly [length: number, times: number])[], most: number): string {
  const parts: string[] = [];
  for (let i = 0; i < runs.length; ) {
    const times = Math.min(runs[i]![1], most, MOST_COUNTED);
    let length = 0;
    for (; i < runs.length && Math.min(runs[i]![1], most, MOST_COUNTED) === times; i++) length += runs[i]![0];
    parts.push(String.fromCharCode(97 + times) + (length === 1 ? '' : length));
  }
  return parts.join('');
}

export function decodeStrip({ total, grain, code }: CodedStrip): StripRuns {
  const runs = code.match(/[a-z]\d*/g) ?? [];
  const starts = new Float64Array(runs.length + 1);
  const counts = new Uint8Array(runs.length);
  runs.forEach((run, i) => {
    counts[i] = run.charCodeAt(0) - 97;
    starts[i + 1] = Math.min(total, starts[i]! + (run.length === 1 ? 1 : Number(run.slice(1))) * grain);
  });
  return { total, starts, counts };
}
