// How a mistake in the mission file is put into words: what was expected, what was found, and the name that was probably meant.

/** A value as the user would recognise it, on one line and not longer than about 60 characters. */
const show = (value: unknown): string => {
  if (value === null) return 'nothing';
  if (Array.isArray(value)) return value.length === 0 ? 'an empty list' : `a list of ${value.length}`;
  if (typeof value === 'object') return `the keys ${Object.keys(value).join(', ').slice(0, 60) || '(none)'}`;
  if (typeof value !== 'string') return String(value);
  return JSON.stringify(value.length > 50 ? `${value.slice(0, 50)}…` : value);
};

/** Insertions, deletions and exchanges of characters that turn one word into the other (Levenshtein 1965). */
const editDistance = (from: string, to: string): number => {
  let row = Array.from({ length: to.length + 1 }, (_, i) => i);
  for (let i = 1; i <= from.length; i++) {
    const next = [i];
    for (let j = 1; j <= to.length; j++) {
      next[j] = Math.min(row[j]! + 1, next[j - 1]! + 1, row[j - 1]! + (from[i - 1] === to[j - 1] ? 0 : 1));
    }
    row = next;
  }
  return row[to.length]!;
};

/** The name nearest to what was found, unless even that is far off. */
const nearest = (names: readonly string[], found: string): string | undefined => {
  // Longer than any name: cannot be a slip of the pen, and the distance would take long.
  if (found.length > 60) return undefined;
  const ranked = names
    .map((name) => ({ name, distance: editDistance(found.toLowerCase(), name.toLowerCase()) }))
    .sort((a, b) => a.distance - b.distance);
  const best = ranked[0];
  return best && best.distance <= Math.max(2, best.name.length / 3) ? best.name : undefined;
};

/**
 * The message for a value that is missing (`undefined`) or not as expected.
 *
 * @param what the rest of a sentence that begins with "expected"
 * @param names when one of these was expected: the nearest is suggested
 */
export function expectation(what: string, found: unknown, names: readonly string[] = []): string {
  if (found === undefined) return `missing; expected ${what}`;
  const meant = typeof found === 'string' ? nearest(names, found) : undefined;
  return `expected ${what}; found ${show(found)}${meant === undefined ? '' : `; did you mean ${JSON.stringify(meant)}?`}`;
}
