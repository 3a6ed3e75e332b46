// The Stations section of the page: what each station recorded, lost and alone contributed, and its part of each file.
import { filesByNeed } from './file-state.js';
import { htmlTable } from './html-table.js';
import { type Html, html } from './html-text.js';
import type { Report } from './model.js';
import { count, counted, sizeText } from './quantity.js';

export function htmlStations({ coverage }: Report): Html {
  const { stations, files } = coverage;
  if (stations.length === 0) return html`<p>No station has handed in a recording.</p>`;
  const overview = htmlTable(
    'stations-caption',
    'What each station handed in',
    [
      { title: 'Station', kind: 'heading', cell: ({ name }) => html`<bdi>${name}</bdi>` },
      { title: 'Recordings', kind: 'number', cell: ({ recordings }) => count(recordings) },
      { title: 'Data', kind: 'number', cell: ({ bytes }) => sizeText(bytes) },
      { title: 'Frames', kind: 'number', cell: ({ frames }) => count(frames.read) },
      { title: 'Intact', kind: 'number', cell: ({ frames }) => count(frames.intact) },
      { title: 'Damaged', kind: 'number', cell: ({ frames }) => count(frames.damaged) },
      { title: 'Lost', kind: 'number', cell: ({ frames }) => count(frames.lost) },
      { title: 'Also elsewhere', kind: 'number', cell: ({ frames }) => count(frames.duplicate) },
      { title: 'Overlapping', kind: 'number', cell: ({ frames }) => count(frames.overlapping) },
      { title: 'Segments', kind: 'number', cell: ({ segments }) => count(segments.received) },
      { title: 'Only here', kind: 'number', cell: ({ segments }) => count(segments.onlyHere) },
      { title: 'Repeated', kind: 'number', cell: ({ segments }) => count(segments.repeated) },
    ],
    stations,
  );
  const byFile = htmlTable(
    'station-files-caption',
    'Segments of each file, by station',
    [
      { title: 'File', kind: 'heading', cell: ({ name }) => html`<bdi>${name}</bdi>` },
      ...stations.map(({ name }) => ({
        title: name,
        kind: 'number' as const,
        cell: (file: (typeof files)[number]) => count(Object.hasOwn(file.stations, name) ? file.stations[name]! : 0),
      })),
      { title: 'All together', kind: 'number', cell: ({ segments }) => count(segments.received) },
      { title: 'Of', kind: 'number', cell: ({ segments }) => count(segments.total) },
    ],
    filesByNeed(files),
  );
  return html`${overview}
<dl class="legend terms"><div><dt>Lost:</dt> <dd>sent between the first and the last frame of a recording, and not received intact in it.</dd></div>
<div><dt>Also elsewhere:</dt> <dd>transmissions that another station heard too.</dd></div>
<div><dt>Overlapping:</dt> <dd>intact frames this station had already handed in with another recording.</dd></div>
<div><dt>Only here:</dt> <dd>segments no other station holds: without this station they would be missing.</dd></div>
<div><dt>Repeated:</dt> <dd>transmissions that sent again a segment this station already had.</dd></div></dl>
<details><summary>Each file by station (${counted(files.length, 'file')})</summary>${byFile}</details>`;
}
