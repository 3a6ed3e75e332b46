// How the carousel goes round, from when the same piece of a file was sent again: transmissions from one turn to the next, and the
// order of the files in it.

/** One time that a file was on the air: the transmission that carried its first segment, heard or not. */
export type FileSending = { readonly id: string; readonly start: number };

export type CarouselFile = {
  readonly id: string;
  readonly segments: number;
};

export type Carousel = {
  /** Transmissions until everything comes again. */
  readonly cycle: number;
  /** Whether that was seen; else it is the sum of the files' segments. */
  readonly observed: boolean;
  /** In the order of sending, with the place of each file's first segment in the cycle. */
  readonly files: readonly (CarouselFile & { readonly place: number })[];
};

/** @param files all that are known, with at least one segment each */
export function findCarousel(files: readonly CarouselFile[], sendings: readonly FileSending[]): Carousel {
  const total = files.reduce((sum, { segments }) => sum + segments, 0);
  const starts = new Map<string, number[]>(files.map(({ id }) => [id, []]));
  for (const { id, start } of sendings) starts.get(id)?.push(start);
  const votes = new Map<number, number>();
  for (const own of starts.values()) {
    const times = [...new Set(own)].sort((a, b) => a - b);
    times.slice(1).forEach((time, i) => {
      const apart = time - times[i]!;
      // Turns that nobody heard lie in between: as many as there is room for.
      const turns = Math.max(1, Math.floor(apart / total));
      const cycle = apart / turns;
      if (Number.isInteger(cycle) && cycle >= total) votes.set(cycle, (votes.get(cycle) ?? 0) + 1);
    });
  }
  const best = [...votes].sort((a, b) => b[1] - a[1] || a[0] - b[0])[0];
  const cycle = best?.[0] ?? total;
  const reference = Math.min(...[...starts.values()].flat(), Number.POSITIVE_INFINITY);
  const placed = files.map((file, index) => {
    const own = starts.get(file.id)!;
    return { file, index, at: own.length > 0 ? modulo(own[0]! - reference, cycle) : Number.POSITIVE_INFINITY };
  });
  placed.sort((a, b) => a.at - b.at || a.index - b.index);
  let place = 0;
  const ordered = placed.map(({ file, at }) => {
    // Where the files were seen to lie; one never heard follows the file before it.
    if (best && Number.isFinite(at) && at >= place && at + file.segments <= cycle) place = at;
    const here = { ...file, place };
    place += file.segments;
    return here;
  });
  return { cycle: Math.max(cycle, place), observed: best !== undefined, files: ordered };
}

function modulo(value: number, by: number): number {
  return ((value % by) + by) % by;
}
