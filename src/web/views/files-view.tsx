// All files, each with a strip of which of its segments came and how often; to be filtered, sorted, and opened to single segments.
import type { JSX } from 'preact';
import { useEffect, useMemo, useState } from 'preact/hooks';
import { fileStates, filesByNeed } from '../../report/file-state.js';
import type { FileState, PageDocument, PageFile } from '../../report/page-document.js';
import { count, counted, perCent, sizeText } from '../../report/quantity.js';
import { FileDetails } from './file-details.js';
import { StateMark } from './state-mark.js';
import { StripPicture } from './strip-picture.js';
import { useGrowing } from './use-growing.js';
import type { ViewProps } from './view.js';

const orders: Readonly<
  Record<string, { readonly words: string; readonly sort: (files: readonly PageFile[]) => PageFile[] }>
> = {
  need: { words: 'what needs a look first', sort: filesByNeed },
  name: { words: 'name', sort: by((a, b) => a.name.localeCompare(b.name, 'en', { numeric: true })) },
  id: { words: 'file number', sort: by((a, b) => a.id.localeCompare(b.id, 'en', { numeric: true })) },
  size: { words: 'size, largest first', sort: by((a, b) => (b.bytes ?? -1) - (a.bytes ?? -1)) },
  missing: { words: 'segments missing, most first', sort: by((a, b) => b.total - b.received - (a.total - a.received)) },
  share: { words: 'share received, least first', sort: by((a, b) => shareOf(a) - shareOf(b)) },
};

function by(compare: (a: PageFile, b: PageFile) => number): (files: readonly PageFile[]) => PageFile[] {
  return (files) => [...files].sort(compare);
}

function shareOf({ received, total }: PageFile): number {
  return total === 0 ? 0 : received / total;
}

/** `wanted`: id of a file to show and open. */
export function FilesView({ document, printing, wanted }: ViewProps & { readonly wanted: string | null }): JSX.Element {
  const [text, setText] = useState('');
  const [hidden, setHidden] = useState<readonly FileState[]>([]);
  const [order, setOrder] = useState('need');
  const files = useMemo(() => {
    const words = text.toLowerCase().split(/\s+/).filter(Boolean);
    const matches = ({ name, id }: PageFile): boolean =>
      words.every((word) => name.toLowerCase().includes(word) || id === word);
    return orders[order]!.sort(document.files.filter((file) => !hidden.includes(file.state) && matches(file)));
  }, [document, text, hidden, order]);
  useEffect(() => {
    if (wanted === null) return;
    setText('');
    setHidden([]);
  }, [wanted]);
  const place = wanted === null ? -1 : files.findIndex(({ id }) => id === wanted);
  const number = Math.max(useGrowing(files.length, printing), place + 1);
  if (document.files.length === 0) return <p>No file is known yet.</p>;
  return (
    <>
      <form class="tools" onSubmit={(event) => event.preventDefault()}>
        <label>
          Name or number <input type="search" value={text} onInput={(event) => setText(event.currentTarget.value)} />
        </label>
        <label>
          Sort by{' '}
          <select value={order} onChange={(event) => setOrder(event.currentTarget.value)}>
            {Object.entries(orders).map(([key, { words }]) => (
              <option key={key} value={key}>
                {words}
              </option>
            ))}
          </select>
        </label>
        <fieldset>
          <legend>Show</legend>
          {fileStates.map((state) => (
            <label key={state}>
              <input
                type="checkbox"
                checked={!hidden.includes(state)}
                onChange={() =>
                  setHidden(hidden.includes(state) ? hidden.filter((each) => each !== state) : [...hidden, state])
                }
              />{' '}
              <StateMark state={state} /> {count(document.totals.files[state])}
            </label>
          ))}
        </fieldset>
      </form>
      <p aria-live="polite">
        {files.length === document.files.length
          ? `${files.length === 1 ? '' : 'All '}${counted(files.length, 'file')}.`
          : `${count(files.length)} of ${counted(document.files.length, 'file')}.`}
      </p>
      <StripLegend countedTo={document.countedTo} />
      <div class="files">
        {files.slice(0, number).map((file) => (
          <FileCard key={file.id} file={file} document={document} printing={printing} wanted={file.id === wanted} />
        ))}
      </div>
    </>
  );
}

function StripLegend({ countedTo }: { readonly countedTo: number }): JSX.Element {
  const bar = (height: number, name: string): JSX.Element => (
    <svg class="key" viewBox="0 0 24 28" aria-hidden="true">
      <path class={name} d={`M0 24v-${height}h24v${height}z`} fill={name === 'gap' ? 'url(#hatch)' : undefined} />
      {name === 'gap' && <path class="mark" d="M0 28v-3h24v3z" />}
    </svg>
  );
  return (
    <>
      <p>A strip shows a file from its first segment (left) to its last:</p>
      <ul class="legend keys">
        <li>{bar(24, 'gap')} hatched, mark below: missing</li>
        <li>{bar(8, 'once')} low: received once</li>
        <li>
          {bar(14, 'several')} {countedTo > 2 ? 'higher: twice' : 'higher: twice or more'}
        </li>
        {countedTo > 3 && <li>{bar(24, 'several')} highest: four times or more</li>}
      </ul>
      <p class="dim">
        A column that stands for several segments shows the worst of them, so nothing missing is hidden.
      </p>
    </>
  );
}

type CardProps = {
  readonly file: PageFile;
  readonly document: PageDocument;
  readonly printing: boolean;
  readonly wanted: boolean;
};

function FileCard({ file, document, printing, wanted }: CardProps): JSX.Element {
  const [open, setOpen] = useState(wanted);
  const { id, name, state, bytes, received, total, unit, link } = file;
  useEffect(() => {
    if (!wanted) return;
    setOpen(true);
    // Once the card is up: the browser looked for the target of the link before.
    globalThis.document.getElementById(`file-${id}`)?.scrollIntoView();
  }, [wanted, id]);
  const missing = total - received;
  return (
    <article id={`file-${id}`} tabIndex={-1}>
      <h3>
        <bdi>{link ? <a href={link}>{name}</a> : name}</bdi> <small>file {id}</small>
      </h3>
      <p class="facts">
        <StateMark state={state} /> <span>{bytes === null ? 'size unknown' : sizeText(bytes)}</span>{' '}
        <span>{perCent(received, total)}</span>{' '}
        <span>
          {count(received)} of {counted(total, 'segment')}
        </span>{' '}
        {missing > 0 && <span>{count(missing)} missing</span>}
      </p>
      <StripPicture file={file} printing={printing} />
      <details open={open || printing} onToggle={(event) => !printing && setOpen(event.currentTarget.open)}>
        <summary>
          {unit === 'byte' ? 'Bytes' : 'Segments'}, stations, checks<span class="unseen"> of {name}</span>
        </summary>
        {(open || printing) && <FileDetails file={file} document={document} printing={printing} />}
      </details>
    </article>
  );
}
