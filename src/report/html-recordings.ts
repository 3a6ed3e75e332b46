// The Recordings section of the page: every recording with its content hash and what went wrong with it.

import { htmlTable } from './html-table.js';
import { type Html, html } from './html-text.js';
import type { Report } from './model.js';
import { count, counted, sizeText } from './quantity.js';

const rowsShown = 1000;

export function htmlRecordings({ coverage }: Report): Html {
  if (coverage.recordings.length === 0) return html`<p>No recording has been handed in.</p>`;
  const troubled = (problems: readonly string[]) => (problems.length > 0 ? 0 : 1);
  const rows = [...coverage.recordings].sort((a, b) => troubled(a.problems) - troubled(b.problems));
  const rest = rows.length - rowsShown;
  const table = htmlTable(
    'recordings-caption',
    'Recordings, those with problems first; a recording handed in twice counts once',
    [
      { title: 'Recording', kind: 'heading', cell: ({ name }) => html`<bdi>${name}</bdi>` },
      { title: 'Station', cell: ({ station }) => html`<bdi>${station}</bdi>` },
      { title: 'Size', kind: 'number', cell: ({ bytes }) => sizeText(bytes) },
      { title: 'Intact', kind: 'number', cell: ({ frames }) => count(frames.intact) },
      { title: 'Damaged', kind: 'number', cell: ({ frames }) => count(frames.damaged) },
      {
        title: 'Problems',
        kind: 'words',
        cell: ({ problems }) =>
          problems.length === 0 ? 'none' : problems.map((problem) => html`<div>${problem}</div>`),
      },
      { title: 'SHA-256', kind: 'code', cell: ({ sha256 }) => sha256 },
    ],
    rows.slice(0, rowsShown),
  );
  return html`${table}${rest > 0 ? html`<p>${counted(rest, 'more recording')} in coverage.json.</p>` : null}`;
}
