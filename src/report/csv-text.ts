// Missing ranges as comma-separated values after RFC 4180 (comma, double quotes, CRLF).
// Names are downlinked and the reader is often a spreadsheet: no cell can start a formula.

/** One row; `first` and `last` are inclusive, `unit` is what they count. */
export type CsvRow = {
  readonly id: string;
  readonly name: string;
  readonly unit: string;
  readonly first: number;
  readonly last: number;
  /** `null` where no reception tells when the range was last sent: the cells are empty. */
  readonly lastSent: { readonly run: number; readonly counter: number } | null;
};

const header = 'file,name,first,last,count,unit,last_sent_run,last_sent_counter';

/** The rows with the header line, each ended. */
export function csvText(rows: readonly CsvRow[]): string {
  const lines = rows.map(({ id, name, unit, first, last, lastSent }) =>
    [
      textCell(id),
      textCell(name),
      first,
      last,
      last - first + 1,
      unit,
      lastSent?.run ?? '',
      lastSent?.counter ?? '',
    ].join(','),
  );
  return [header, ...lines].map((line) => `${line}\r\n`).join('');
}

/**
 * A text cell, quoted where RFC 4180 (2.5 to 2.7) asks for it. A cell that a spreadsheet could take for a formula gets
 * an apostrophe in front (common practice); so do the full-width forms of those signs and the control characters that
 * some programs skip before they look for one.
 */
function textCell(text: string): string {
  const harmless = /^\s*[=+\-@\uff0b\uff0d\uff1d\uff20]|^[\t\r\n]/.test(text) ? `'${text}` : text;
  return /[",\r\n]/.test(harmless) ? `"${harmless.replaceAll('"', '""')}"` : harmless;
}
