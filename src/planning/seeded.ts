// Random numbers for the simulations: SplitMix in 32 bits (G. L. Steele, D. Lea, C. H. Flood, "Fast splittable pseudorandom number
// generators", OOPSLA 2014; the mixing step is that of MurmurHash3). Same seed, same numbers, on every machine.

/** Numbers from 0 (included) to 1 (excluded). */
export type Random = () => number;

/** A stream of its own for each `purpose` of one `seed`. */
export function seeded(seed: number, purpose = ''): Random {
  let state = mix(seed);
  for (const character of purpose) state = mix(state ^ character.codePointAt(0)!);
  return () => {
    state = (state + 0x9e3779b9) | 0;
    return mix(state) / 2 ** 32;
  };
}

/** A whole number from 0 to `limit - 1`. */
export function below(limit: number, random: Random): number {
  return Math.floor(random() * limit);
}

/** From the normal distribution with mean 0 and deviation 1 (G. E. P. Box, M. E. Muller, 1958). */
export function normal(random: Random): number {
  return Math.sqrt(-2 * Math.log(1 - random())) * Math.cos(2 * Math.PI * random());
}

/** Length of a run that ends after each step with chance `end`: 1, 2, …; geometric with mean 1 / `end`. */
export function runLength(end: number, random: Random): number {
  if (end >= 1) return 1;
  return end <= 0 ? Number.POSITIVE_INFINITY : 1 + Math.floor(Math.log(1 - random()) / Math.log1p(-end));
}

function mix(word: number): number {
  let mixed = word | 0;
  mixed = Math.imul(mixed ^ (mixed >>> 16), 0x85ebca6b);
  mixed = Math.imul(mixed ^ (mixed >>> 13), 0xc2b2ae35);
  return (mixed ^ (mixed >>> 16)) >>> 0;
}
