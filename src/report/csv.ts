// missing.csv: one row for each missing range, after RFC 4180 (comma, double quotes, CRLF).
// Names are downlinked and the reader is often a spreadsheet: no cell can start a formula.
import type { Report } from './model.js';

const header = 'file,name,first,last,count,unit,last_sent_run,last_sent_counter';

/**
 * The text of missing.csv with its header line. `first` and `last` are inclusive; the last two cells are empty where
 * no reception tells when the range was last sent.
 */
export function missingCsv(report: Report): string {
  const units = new Map(report.coverage.files.map((file) => [file.id, file.segments.unit]));
  const rows = report.missing.map(({ id, name, first, last, lastSent }) => [
    textCell(id),
    textCell(name),
    first,
    last,
    last - first + 1,
    units.get(id) ?? 'segment',
    lastSent?.run ?? '',
    lastSent?.counter ?? '',
  ]);
  return [header, ...rows.map((row) => row.join(','))].map((line) => `${line}\r\n`).join('');
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
