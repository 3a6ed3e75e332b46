// The Missing section of the page: the ranges nobody received, with the latest sending that the receptions tell of.

import { htmlTable } from './html-table.js';
import { type Html, html } from './html-text.js';
import type { Report } from './model.js';
import { counted } from './quantity.js';

const rowsShown = 1000;

export function htmlMissing({ coverage, missing }: Report): Html {
  if (missing.length === 0) return html`<p>No range is known to be missing.</p>`;
  const units = new Map(coverage.files.map((file) => [file.id, file.segments.unit]));
  const rest = missing.length - rowsShown;
  const table = htmlTable(
    'missing-caption',
    'Ranges that no station received; first and last are both missing',
    [
      { title: 'Name', kind: 'heading', cell: ({ name }) => html`<bdi>${name}</bdi>` },
      { title: 'File', kind: 'number', cell: ({ id }) => id },
      { title: 'First', kind: 'number', cell: ({ first }) => first },
      { title: 'Last', kind: 'number', cell: ({ last }) => last },
      {
        title: 'Count',
        kind: 'number',
        cell: ({ id, first, last }) => counted(last - first + 1, units.get(id) ?? 'segment'),
      },
      { title: 'Last sent: run', kind: 'number', cell: ({ lastSent }) => lastSent?.run ?? 'not heard' },
      { title: 'counter', kind: 'number', cell: ({ lastSent }) => lastSent?.counter ?? '–' },
    ],
    missing.slice(0, rowsShown),
  );
  return html`${table}${rest > 0 ? html`<p>${counted(rest, 'more range')} in missing.csv.</p>` : null}
<p class="dim">“Last sent” is the counter of the latest sending of the first segment of a range that can be told from what was
received around it; a run ends where the spacecraft restarts its counter.</p>`;
}
