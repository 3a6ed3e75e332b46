// A table for the terminal that fits a given width: short columns as wide as they need, one column takes the rest.
import Table from 'cli-table3';
import { plainText, textWidth } from './plain-text.js';

export type TextColumn = {
  readonly title: string;
  readonly align?: 'left' | 'right';
  /** Where the table would not fit, the column with the highest number goes first; without one it always stays. */
  readonly spare?: number;
  /** Colours a cell; adds nothing visible. */
  readonly paint?: (cell: string) => string;
};

const separator = '  ';
const wishForLast = 24;

/**
 * The table as text, no line wider than `width`, no newline at the end. The last column takes what is left and its
 * cells are cut where they must be; all cells are made harmless for a terminal.
 */
export function textTable(columns: readonly TextColumn[], rows: readonly (readonly string[])[], width: number): string {
  let shown = columns.map((column, index) => ({
    ...column,
    cells: rows.map((row) => plainText(row[index] ?? '', width)),
    width: 0,
  }));
  for (const column of shown) column.width = Math.max(...[column.title, ...column.cells].map(textWidth));
  const wish = Math.min(wishForLast, shown.at(-1)?.width ?? 0);
  const left = () => width - shown.slice(0, -1).reduce((sum, column) => sum + column.width + separator.length, 0);
  while (left() < wish) {
    const spare = Math.max(...shown.map((column) => column.spare ?? 0));
    if (spare === 0) break;
    shown = shown.filter((column) => column.spare !== spare);
  }
  const last = shown.at(-1);
  if (last !== undefined) last.width = Math.max(1, left());

  const table = new Table({
    head: shown.map(({ title, width }) => plainText(title, width)),
    colWidths: shown.map((column) => column.width),
    colAligns: shown.map((column) => column.align ?? 'left'),
    chars: {
      ...{ top: '', 'top-mid': '', 'top-left': '', 'top-right': '' },
      ...{ bottom: '', 'bottom-mid': '', 'bottom-left': '', 'bottom-right': '' },
      ...{ left: '', 'left-mid': '', right: '', 'right-mid': '', mid: '─', 'mid-mid': '──', middle: separator },
    },
    style: { 'padding-left': 0, 'padding-right': 0, head: [], border: [], compact: true },
  });
  for (const row of rows.keys()) {
    table.push(
      shown.map(({ cells, width, paint }) => {
        const cell = plainText(cells[row] ?? '', width);
        return paint === undefined ? cell : paint(cell);
      }),
    );
  }
  return table
    .toString()
    .split('\n')
    .map((line) => line.trimEnd())
    .join('\n');
}
