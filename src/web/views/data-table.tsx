// Tables of the page: a caption, column headings with scope that sort, a heading cell in each row, room to scroll sideways; of long
// ones the beginning, and a button for more.
import type { ComponentChildren, JSX } from 'preact';
import { useId, useMemo, useState } from 'preact/hooks';
import { count } from '../../report/quantity.js';

export type DataColumn<Row> = {
  readonly title: string;
  readonly cell: (row: Row) => ComponentChildren;
  /** What rows are sorted by; without it the column does not sort. */
  readonly key?: (row: Row) => number | string;
  /** `number`: to the right, digits of one width. `heading`: names the row. `words`: sentences. `code`: may break anywhere. */
  readonly kind?: 'number' | 'heading' | 'words' | 'code';
};

export type DataTableProps<Row> = {
  readonly caption: ComponentChildren;
  readonly columns: readonly DataColumn<Row>[];
  readonly rows: readonly Row[];
  /** Rows shown at first, and for each "more". */
  readonly step?: number;
  /** Rows shown on paper. */
  readonly onPaper?: number;
  readonly printing: boolean;
};

export function DataTable<Row>(props: DataTableProps<Row>): JSX.Element {
  const { caption, columns, rows, step = 200, onPaper = 1000, printing } = props;
  const [order, setOrder] = useState<{ column: number; down: boolean } | null>(null);
  const [steps, setSteps] = useState(1);
  const id = useId();
  const sorted = useMemo(() => {
    const key = order && columns[order.column]?.key;
    if (!order || !key) return rows;
    return [...rows].sort((a, b) => compare(key(a), key(b)) * (order.down ? -1 : 1));
  }, [rows, order?.column, order?.down]);
  const limit = printing ? onPaper : step * steps;
  const rest = sorted.length - limit;
  return (
    <>
      {/* biome-ignore lint/a11y/noNoninteractiveTabindex: a region that scrolls must be reachable by keyboard */}
      <section class="scroll" aria-labelledby={id} tabIndex={0}>
        <table>
          <caption id={id}>
            <div>{caption}</div>
          </caption>
          <thead>
            <tr>
              {columns.map(({ title, key, kind }, column) => (
                <th
                  key={column}
                  scope="col"
                  class={kindClass(kind)}
                  aria-sort={order?.column === column ? (order.down ? 'descending' : 'ascending') : undefined}
                >
                  {key ? (
                    <button
                      type="button"
                      onClick={() =>
                        setOrder({ column, down: order?.column === column ? !order.down : kind === 'number' })
                      }
                    >
                      {title}
                      <span aria-hidden="true">{order?.column === column ? (order.down ? ' ▾' : ' ▴') : ''}</span>
                    </button>
                  ) : (
                    title
                  )}
                </th>
              ))}
            </tr>
          </thead>
          <tbody>
            {sorted.slice(0, limit).map((row, index) => (
              <tr key={index}>
                {columns.map(({ cell, kind }, column) =>
                  kind === 'heading' ? (
                    <th key={column} scope="row">
                      {cell(row)}
                    </th>
                  ) : (
                    <td key={column} class={kindClass(kind)}>
                      {cell(row)}
                    </td>
                  ),
                )}
              </tr>
            ))}
          </tbody>
        </table>
      </section>
      {rest > 0 && (
        <p>
          {count(rest)} more {rest === 1 ? 'row' : 'rows'}.{' '}
          {!printing && (
            <button type="button" onClick={() => setSteps(steps + 1)}>
              Show {count(Math.min(rest, step))} more
            </button>
          )}
        </p>
      )}
    </>
  );
}

function kindClass(kind: DataColumn<unknown>['kind']): string | undefined {
  return kind === 'number' ? 'n' : kind === 'words' || kind === 'code' ? kind : undefined;
}

function compare(a: number | string, b: number | string): number {
  if (typeof a === 'number' && typeof b === 'number') return a - b;
  return String(a).localeCompare(String(b), 'en', { numeric: true });
}
