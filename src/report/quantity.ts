// How the terminal and the page write numbers: counts, sizes in decimal units, and shares that never look complete
// while something is missing. A no-break space keeps number and unit together.

/** Inclusive. */
type FirstLast = readonly [first: number, last: number];

const grouped = new Intl.NumberFormat('en');

/** `12,345` */
export function count(number: number): string {
  return grouped.format(number);
}

/** `1 segment`, `12,345 segments` */
export function counted(number: number, noun: string): string {
  return `${count(number)} ${noun}${number === 1 ? '' : 's'}`;
}

/** `984 B`, `1.05 MB`: decimal units, three digits; `unknown` for `null`. */
export function sizeText(bytes: number | null): string {
  if (bytes === null) return 'unknown';
  let size = bytes;
  for (const unit of ['B', 'kB', 'MB', 'GB']) {
    if (size < 999.5) return `${unit === 'B' ? size : Number(size.toPrecision(3))}\u00a0${unit}`;
    size /= 1000;
  }
  return `${Number(size.toPrecision(3))}\u00a0TB`;
}

/** `98.3 %`, rounded down: `100 %` means all of it, `0 %` nothing. A dash where there is no whole to compare with. */
export function perCent(part: number, whole: number): string {
  if (whole === 0) return '–';
  if (part >= whole) return '100\u00a0%';
  if (part === 0) return '0\u00a0%';
  const share = Math.floor((part * 1000) / whole) / 10;
  return share === 0 ? '<0.1\u00a0%' : `${share.toFixed(1)}\u00a0%`;
}

/** `12–40`, or `12` where a range holds one number. */
export function rangeText([first, last]: FirstLast): string {
  return first === last ? `${first}` : `${first}–${last}`;
}

/** How many numbers all ranges hold together. */
export function rangesTotal(ranges: readonly FirstLast[]): number {
  return ranges.reduce((sum, [first, last]) => sum + last - first + 1, 0);
}
