// The report as plain tables, for where pages may not run programs: what is whole, what is missing, who has it.
import { filesByNeed, stateSign } from './file-state.js';
import { htmlTable } from './html-table.js';
import { type Html, html } from './html-text.js';
import type { Report } from './model.js';
import { count, counted, perCent, sizeText } from './quantity.js';
import { summaryWords } from './summary-words.js';
import { relativeLink } from './visible-text.js';

const ROWS_SHOWN = 1000;

export function htmlStatic(report: Report): Html {
  const { coverage, missing } = report;
  const [lead, ...words] = summaryWords(report);
  const files = htmlTable(
    'static-files',
    'Files, those that need a look first',
    [
      {
        title: 'Name',
        kind: 'heading',
        cell: ({ path, name }) => {
          const link = relativeLink(path);
          return link === null ? html`<bdi>${name}</bdi>` : html`<bdi><a href="${link}">${name}</a></bdi>`;
        },
      },
      { title: 'File', kind: 'number', cell: ({ id }) => id },
      { title: 'State', cell: ({ state }) => `${stateSign[state]} ${state}` },
      { title: 'Size', kind: 'number', cell: ({ bytes }) => sizeText(bytes) },
      {
        title: 'Segments',
        kind: 'number',
        cell: ({ segments: { received, total } }) => `${count(received)} of ${count(total)}`,
      },
      { title: 'Received', kind: 'number', cell: ({ segments: { received, total } }) => perCent(received, total) },
    ],
    filesByNeed(coverage.files).slice(0, ROWS_SHOWN),
  );
  const stations = htmlTable(
    'static-stations',
    'Stations',
    [
      { title: 'Station', kind: 'heading', cell: ({ name }) => html`<bdi>${name}</bdi>` },
      { title: 'Intact', kind: 'number', cell: ({ frames }) => count(frames.intact) },
      { title: 'Damaged', kind: 'number', cell: ({ frames }) => count(frames.damaged) },
      { title: 'Lost', kind: 'number', cell: ({ frames }) => count(frames.lost) },
      { title: 'Segments', kind: 'number', cell: ({ segments }) => count(segments.received) },
      { title: 'Only here', kind: 'number', cell: ({ segments }) => count(segments.onlyHere) },
    ],
    coverage.stations,
  );
  return html`<header><h1>${coverage.mission}: coverage</h1></header>
<main><p class="lead">${lead ?? ''}</p>
${words.map((sentence) => html`<p>${sentence}</p>\n`)}
${coverage.files.length > 0 ? files : null}${coverage.stations.length > 0 ? stations : null}
<p>${counted(missing.length, 'missing range')}, listed in missing.csv; everything else is in coverage.json. With JavaScript this page
shows pictures, strips and the timeline, too.</p>
<ul>${coverage.notes.map((note) => html`<li>${note}</li>\n`)}</ul></main>
<footer><p>Made by ${report.madeBy}. What no station received is shown as missing; nothing in its place is invented.</p></footer>`;
}
