// The summary: what is whole and what is missing, in words first, then in figures.
import type { JSX } from 'preact';
import { count, sizeText } from '../../report/quantity.js';
import { StateLegend } from './state-mark.js';
import type { ViewProps } from './view.js';

export function SummaryView({ document }: ViewProps): JSX.Element {
  const { files, segments, bytes, frames, transmissions } = document.totals;
  const [lead, ...words] = document.words;
  const figures = [
    ['Segments received', `${count(segments.received)} of ${count(segments.total)}`],
    ['Whole files', `${count(files.whole)}, ${sizeText(bytes.whole)}`],
    ['Frames intact', `${count(frames.intact)} of ${count(frames.read)}`],
    ['Transmissions heard', count(transmissions.received)],
    ['… also elsewhere', count(transmissions.acrossStations)],
    ['… as repeats', count(transmissions.acrossRepeats)],
  ] as const;
  return (
    <>
      <p class="lead">{lead}</p>
      {words.map((sentence, i) => (
        <p key={i}>{sentence}</p>
      ))}
      <dl class="figures">
        {figures.map(([name, value]) => (
          <div key={name}>
            <dt>{name}</dt>
            <dd>{value}</dd>
          </div>
        ))}
      </dl>
      <h3>States of files</h3>
      <StateLegend document={document} />
      <h3>Notes</h3>
      {document.notes.length === 0 ? (
        <p>Nothing to note.</p>
      ) : (
        <ul id="notes">
          {document.notes.map((note, i) => (
            <li key={i}>{note}</li>
          ))}
        </ul>
      )}
    </>
  );
}
