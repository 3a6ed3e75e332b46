// coverage.json: the coverage document as text that people can read and programs can compare line by line.
import { coverageSchema } from './coverage-schema.js';
import type { Report } from './model.js';

const lineWidth = 110;

/**
 * The text of coverage.json. Keys stand in the order of the schema, stations of a file by name; what fits on a line
 * stays on it, so a long list of missing ranges has one range on each line. Ends in a newline.
 *
 * @throws ZodError when the document does not follow its own schema: a mistake in this program
 */
export function coverageJson({ coverage }: Pick<Report, 'coverage'> & Partial<Report>): string {
  const document = coverageSchema.parse(coverage);
  // From the coverage itself: the schema's parser drops a station called `__proto__`.
  const files = document.files.map((file, i) => ({
    ...file,
    stations: sortedByKey(coverage.files[i]!.stations),
  }));
  return `${print({ ...document, files }, '', 0)}\n`;
}

function sortedByKey(counts: Record<string, number>): Record<string, number> {
  return Object.fromEntries(Object.entries(counts).sort(([a], [b]) => (a < b ? -1 : 1)));
}

/** @param taken columns before the value on its line */
function print(value: unknown, indent: string, taken: number): string {
  if (typeof value !== 'object' || value === null) return JSON.stringify(value);
  const deeper = `${indent}  `;
  const [open, close] = Array.isArray(value) ? '[]' : '{}';
  const members = Array.isArray(value)
    ? value.map((item) => print(item, deeper, deeper.length))
    : Object.entries(value).map(([key, item]) => {
        const name = `${JSON.stringify(key)}: `;
        return name + print(item, deeper, deeper.length + name.length);
      });
  const width = members.reduce((sum, member) => sum + member.length + 2, taken);
  const fits = width <= lineWidth && !members.some((member) => member.includes('\n'));
  if (fits) return `${open}${members.join(', ')}${close}`;
  return `${open}\n${members.map((member) => deeper + member).join(',\n')}\n${indent}${close}`;
}
