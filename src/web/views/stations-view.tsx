// The stations: what each received, lost and alone holds, what each two share, and what the set would be without one of them.
import type { JSX } from 'preact';
import { useMemo } from 'preact/hooks';
import { filesByNeed } from '../../report/file-state.js';
import { count, counted, perCent, sizeText } from '../../report/quantity.js';
import { DataTable } from './data-table.js';
import type { ViewProps } from './view.js';

const FILES_NAMED = 12;

export function StationsView({ document, printing }: ViewProps): JSX.Element {
  const { stations, files, pairs, without } = document;
  const byNeed = useMemo(() => filesByNeed(files), [files]);
  const absences = useMemo(() => stations.map(({ name }, i) => ({ name, ...without[i]! })), [stations, without]);
  if (stations.length === 0) return <p>No station has handed in a recording.</p>;
  const nameOf = (index: number): JSX.Element => <bdi>{stations[index]?.name}</bdi>;
  const number = (title: string, of: (row: (typeof stations)[number]) => number) => {
    return { title, kind: 'number' as const, key: of, cell: (row: (typeof stations)[number]) => count(of(row)) };
  };
  return (
    <>
      <DataTable
        caption="What each station handed in"
        printing={printing}
        rows={stations}
        columns={[
          { title: 'Station', kind: 'heading', key: ({ name }) => name, cell: ({ name }) => <bdi>{name}</bdi> },
          number('Segments', ({ segments }) => segments.received),
          number('Only here', ({ segments }) => segments.onlyHere),
          number('Frames', ({ frames }) => frames.read),
          number('Intact', ({ frames }) => frames.intact),
          number('Damaged', ({ frames }) => frames.damaged),
          number('Lost', ({ frames }) => frames.lost),
          number('Also elsewhere', ({ frames }) => frames.duplicate),
          number('Overlapping', ({ frames }) => frames.overlapping),
          number('Repeated', ({ segments }) => segments.repeated),
          number('Recordings', ({ recordings }) => recordings),
          { title: 'Data', kind: 'number', key: ({ bytes }) => bytes, cell: ({ bytes }) => sizeText(bytes) },
        ]}
      />
      <dl class="legend terms">
        <div>
          <dt>Only here:</dt> <dd>segments no other station holds: without this station they would be missing.</dd>
        </div>
        <div>
          <dt>Lost:</dt>{' '}
          <dd>sent between the first and the last frame of a recording, and not received intact in it.</dd>
        </div>
        <div>
          <dt>Also elsewhere:</dt> <dd>transmissions that another station heard too.</dd>
        </div>
        <div>
          <dt>Overlapping:</dt> <dd>intact frames this station had already handed in with another recording.</dd>
        </div>
        <div>
          <dt>Repeated:</dt> <dd>transmissions that sent again a segment this station already had.</dd>
        </div>
      </dl>
      {pairs.length > 0 && (
        <>
          <h3>What each two share</h3>
          <DataTable
            caption="Transmissions that both received, and distinct segments that both hold"
            printing={printing}
            rows={pairs}
            columns={[
              {
                title: 'Stations',
                kind: 'heading',
                cell: ({ stations: [a, b] }) => (
                  <>
                    {nameOf(a)} and {nameOf(b)}
                  </>
                ),
              },
              {
                title: 'Transmissions',
                kind: 'number',
                key: (row) => row.transmissions ?? 0,
                cell: (row) => (row.transmissions === null ? '–' : count(row.transmissions)),
              },
              { title: 'Segments', kind: 'number', key: (row) => row.segments, cell: (row) => count(row.segments) },
              ...([0, 1] as const).map((side) => ({
                title: side === 0 ? 'Of the first one’s' : 'Of the second one’s',
                kind: 'number' as const,
                cell: (row: (typeof pairs)[number]) =>
                  perCent(row.segments, stations[row.stations[side]]!.segments.received),
              })),
            ]}
          />
          <h3>Without one of them</h3>
          <DataTable
            caption="What would be missing besides, had that station handed in nothing"
            printing={printing}
            rows={absences}
            columns={[
              { title: 'Without', kind: 'heading', key: ({ name }) => name, cell: ({ name }) => <bdi>{name}</bdi> },
              {
                title: 'Segments more missing',
                kind: 'number',
                key: ({ segments }) => segments,
                cell: ({ segments }) => count(segments),
              },
              {
                title: 'Files no longer complete',
                kind: 'number',
                key: (row) => row.files.length,
                cell: (row) => count(row.files.length),
              },
              {
                title: 'Which',
                kind: 'words',
                cell: (row) =>
                  row.files.length === 0 ? 'none' : <FileNames names={row.files.map((i) => files[i]!.name)} />,
              },
            ]}
          />
        </>
      )}
      <h3>Each file by station</h3>
      <DataTable
        caption={`Distinct segments of each file that a station holds (${counted(files.length, 'file')})`}
        printing={printing}
        rows={byNeed}
        step={50}
        columns={[
          { title: 'File', kind: 'heading', key: ({ name }) => name, cell: ({ name }) => <bdi>{name}</bdi> },
          ...stations.map(({ name }, i) => ({
            title: name,
            kind: 'number' as const,
            key: ({ held }: (typeof files)[number]) => held[i] ?? 0,
            cell: ({ held }: (typeof files)[number]) => count(held[i] ?? 0),
          })),
          { title: 'All together', kind: 'number', key: (file) => file.received, cell: (file) => count(file.received) },
          { title: 'Of', kind: 'number', key: ({ total }) => total, cell: ({ total }) => count(total) },
        ]}
      />
    </>
  );
}

function FileNames({ names }: { readonly names: readonly string[] }): JSX.Element {
  const rest = names.length - FILES_NAMED;
  return (
    <>
      {names.slice(0, FILES_NAMED).map((name, i) => (
        <span key={i}>
          {i > 0 && ', '}
          <bdi>{name}</bdi>
        </span>
      ))}
      {rest > 0 && ` and ${count(rest)} more`}
    </>
  );
}
