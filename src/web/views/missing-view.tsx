// The missing ranges: what nobody received, and the latest sending that the receptions tell of; to be copied as CSV.
import type { JSX } from 'preact';
import { useMemo, useState } from 'preact/hooks';
import { csvText } from '../../report/csv-text.js';
import type { PageDocument, PageMissing } from '../../report/page-document.js';
import { count, counted } from '../../report/quantity.js';
import { DataTable } from './data-table.js';
import { TimeText } from './time-text.js';
import { placeOf } from './timeline-place.js';
import type { ViewProps } from './view.js';

export function MissingView({ document, printing }: ViewProps): JSX.Element {
  const { files, missing, missingTotal, timeline } = document;
  const [text, setText] = useState('');
  const rows = useMemo(() => {
    const words = text.toLowerCase().split(/\s+/).filter(Boolean);
    if (words.length === 0) return missing;
    return missing.filter(([file]) => words.every((word) => (files[file]?.name ?? '').toLowerCase().includes(word)));
  }, [missing, files, text]);
  if (missingTotal === 0) return <p>No range is known to be missing.</p>;
  const fileOf = ([file]: PageMissing) => files[file];
  return (
    <>
      <form class="tools" onSubmit={(event) => event.preventDefault()}>
        <label>
          Name <input type="search" value={text} onInput={(event) => setText(event.currentTarget.value)} />
        </label>
        <CopyCsv document={document} rows={rows} />
      </form>
      <p aria-live="polite">
        {count(rows.length)} of {counted(missingTotal, 'range')}.
        {missing.length < missingTotal && ` The page holds the first ${count(missing.length)}; all are in missing.csv.`}
      </p>
      <DataTable
        caption="Ranges that no station received; first and last are both missing"
        printing={printing}
        rows={rows}
        columns={[
          {
            title: 'Name',
            kind: 'heading',
            key: (row) => fileOf(row)?.name ?? '',
            cell: (row) => <bdi>{fileOf(row)?.name}</bdi>,
          },
          { title: 'File', kind: 'number', key: (row) => fileOf(row)?.id ?? '', cell: (row) => fileOf(row)?.id },
          { title: 'First', kind: 'number', key: ([, first]) => first, cell: ([, first]) => first },
          { title: 'Last', kind: 'number', key: ([, , last]) => last, cell: ([, , last]) => last },
          {
            title: 'Count',
            kind: 'number',
            key: ([, first, last]) => last - first + 1,
            cell: (row) => counted(row[2] - row[1] + 1, fileOf(row)?.unit ?? 'segment'),
          },
          {
            title: 'Last sent: run',
            kind: 'number',
            key: (row) => row[3],
            cell: (row) => (row[3] < 0 ? 'not heard' : row[3]),
          },
          { title: 'counter', kind: 'number', key: (row) => row[4], cell: (row) => (row[4] < 0 ? '–' : row[4]) },
          {
            title: 'rotation',
            kind: 'number',
            cell: (row) => placeOf(timeline, row[3], row[4])?.rotation ?? '–',
          },
          {
            title: 'time',
            kind: 'words',
            key: (row) => placeOf(timeline, row[3], row[4])?.sentAt ?? 0,
            cell: (row) => {
              const at = placeOf(timeline, row[3], row[4])?.sentAt ?? null;
              return at === null ? '–' : <TimeText at={at} />;
            },
          },
        ]}
      />
      <p class="dim">
        “Last sent” is the latest sending of the first segment of a range that can be told from what was received around
        it; a run ends where the spacecraft restarts its counter. Times are by the stations’ clocks.
      </p>
    </>
  );
}

/** Copies what the table holds, or, where the browser does not let pages copy, shows it to be copied by hand. */
function CopyCsv({
  document,
  rows,
}: {
  readonly document: PageDocument;
  readonly rows: readonly PageMissing[];
}): JSX.Element {
  const [told, setTold] = useState<string | null>(null);
  const [byHand, setByHand] = useState<string | null>(null);
  const copy = async (): Promise<void> => {
    const text = csvText(
      rows.map(([file, first, last, run, counter]) => {
        const { id, name, unit } = document.files[file]!;
        return { id, name, unit, first, last, lastSent: run < 0 ? null : { run, counter } };
      }),
    );
    try {
      await navigator.clipboard.writeText(text);
      setTold(`${counted(rows.length, 'row')} copied.`);
      setByHand(null);
    } catch {
      setTold('This browser does not let the page copy: copy it from here.');
      setByHand(text);
    }
  };
  return (
    <>
      <button type="button" onClick={copy}>
        Copy as CSV
      </button>
      <span role="status">{told}</span>
      {byHand !== null && (
        <textarea
          readOnly
          rows={6}
          aria-label="Missing ranges as CSV"
          value={byHand}
          onFocus={(event) => event.currentTarget.select()}
        />
      )}
    </>
  );
}
