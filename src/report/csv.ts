// missing.csv: one row for each missing range.
import { csvText } from './csv-text.js';
import type { Report } from './model.js';

/** The text of missing.csv with its header line. */
export function missingCsv({ coverage, missing }: Report): string {
  const units = new Map(coverage.files.map((file) => [file.id, file.segments.unit]));
  return csvText(missing.map((range) => ({ ...range, unit: units.get(range.id) ?? 'segment' })));
}
