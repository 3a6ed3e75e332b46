// Which files are chunks of one recording: those in one folder whose names differ only in a running number at the end of the
// name (`rec.1, rec.2, rec.10`, `pass-0001.bin, pass-0002.bin`), as recorders that split their output write them: common
// practice. A date or a time at the end is not a running number: files that differ in it are recordings of their own.
import path from 'node:path';

type ChunkName = { readonly prefix: string; readonly number: number; readonly suffix: string };

// Extensions begin with a letter, so that the number of `rec.10` is not taken for one.
const numbered = /^(.*?)(\d{1,9})((?:\.[A-Za-z][A-Za-z0-9]{0,7})*)$/;
const dateOrTime = [
  /(19|20)\d\d(0[1-9]|1[0-2])(0[1-9]|[12]\d|3[01])$/, // 20270314
  /(19|20)\d\d-(0[1-9]|1[0-2])-(0[1-9]|[12]\d|3[01])$/, // 2027-03-14
  /\d{8}[T_-]\d{4}(\d\d)?$/i, // 20270314T021530
  /[T_-]\d\d[:-]\d\d[:-]\d\d$/i, // T02-15-30
];

const readChunkName = (name: string): ChunkName | null => {
  const match = numbered.exec(name);
  if (!match) return null;
  const [, prefix = '', digits = '', suffix = ''] = match;
  if (/\d$/.test(prefix) || dateOrTime.some((pattern) => pattern.test(prefix + digits))) return null;
  return { prefix, number: Number(digits), suffix };
};

const compareCodeUnits = (a: string, b: string): number => (a < b ? -1 : a > b ? 1 : 0);

/** Natural order: digits count by their value, everything else by code unit, so that every machine sorts alike. */
export function compareNatural(a: string, b: string): number {
  const left = a.split(/(\d+)/);
  const right = b.split(/(\d+)/);
  for (let i = 0; i < left.length && i < right.length; i++) {
    const odd = i % 2 === 1;
    const order = odd ? Number(left[i]) - Number(right[i]) : compareCodeUnits(left[i]!, right[i]!);
    if (order) return order;
  }
  return left.length - right.length || compareCodeUnits(a, b);
}

/**
 * Puts the chunks of one recording together.
 *
 * @param items each with its path or archive path; the folder is part of what must agree
 * @returns groups in the order in which their first members came, each in the order of its numbers; a file without a running
 *   number is a group of its own. A number that is missing in a run leaves no trace here: the layers find the gap.
 */
export function groupChunks<Item extends { readonly name: string }>(items: readonly Item[]): Item[][] {
  const groups: { item: Item; number: number }[][] = [];
  const byKey = new Map<string, { item: Item; number: number }[]>();
  for (const item of items) {
    const chunk = readChunkName(path.basename(item.name));
    const key = chunk && JSON.stringify([path.dirname(item.name), chunk.prefix, chunk.suffix]);
    const known = key === null ? undefined : byKey.get(key);
    const member = { item, number: chunk?.number ?? 0 };
    if (known) known.push(member);
    else {
      const group = [member];
      groups.push(group);
      if (key !== null) byKey.set(key, group);
    }
  }
  return groups.map((group) =>
    group.sort((a, b) => a.number - b.number || compareNatural(a.item.name, b.item.name)).map(({ item }) => item),
  );
}
