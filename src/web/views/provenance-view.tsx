// Where everything comes from: the recordings with their content hashes, the settings they were read by, and the program.
import type { JSX } from 'preact';
import { useMemo } from 'preact/hooks';
import { count, sizeText } from '../../report/quantity.js';
import { DataTable } from './data-table.js';
import { TimeText } from './time-text.js';
import type { ViewProps } from './view.js';

export function ProvenanceView({ document, printing }: ViewProps): JSX.Element {
  const { recordings, settings, madeBy } = document;
  const rows = useMemo(
    () => [...recordings].sort((a, b) => Number(b.problems.length > 0) - Number(a.problems.length > 0)),
    [recordings],
  );
  return (
    <>
      {rows.length === 0 ? (
        <p>No recording has been handed in.</p>
      ) : (
        <DataTable
          caption="Recordings, those with problems first; a recording handed in twice counts once"
          printing={printing}
          rows={rows}
          columns={[
            { title: 'Recording', kind: 'heading', key: ({ name }) => name, cell: ({ name }) => <bdi>{name}</bdi> },
            { title: 'Station', key: ({ station }) => station, cell: ({ station }) => <bdi>{station}</bdi> },
            {
              title: 'Begun, by its station’s clock',
              kind: 'words',
              key: ({ startedAt }) => startedAt ?? 0,
              cell: ({ startedAt }) => (startedAt === null ? 'unknown' : <TimeText at={startedAt} />),
            },
            { title: 'Size', kind: 'number', key: ({ bytes }) => bytes, cell: ({ bytes }) => sizeText(bytes) },
            {
              title: 'Intact',
              kind: 'number',
              key: ({ frames }) => frames.intact,
              cell: ({ frames }) => count(frames.intact),
            },
            {
              title: 'Damaged',
              kind: 'number',
              key: ({ frames }) => frames.damaged,
              cell: ({ frames }) => count(frames.damaged),
            },
            {
              title: 'Problems',
              kind: 'words',
              cell: ({ problems }) =>
                problems.length === 0 ? 'none' : problems.map((problem, i) => <div key={i}>{problem}</div>),
            },
            { title: 'XXH64', kind: 'code', cell: ({ xxh64 }) => xxh64 },
          ]}
        />
      )}
      <h3>Settings</h3>
      <dl class="settings">
        {settings.map(([name, value], i) => (
          <div key={i}>
            <dt>{name}</dt>
            <dd>{value}</dd>
          </div>
        ))}
        <div>
          <dt>Program</dt>
          <dd>{madeBy}</dd>
        </div>
      </dl>
    </>
  );
}
