// What is known of one file beside its strip: the strip close up, the missing ranges, who holds how much, and the checks.
import type { JSX } from 'preact';
import { useMemo } from 'preact/hooks';
import type { PageDocument, PageFile } from '../../report/page-document.js';
import { count, counted, perCent, rangeText } from '../../report/quantity.js';
import { FileZoom } from './file-zoom.js';
import { missingStretches } from './strip-columns.js';
import { stripRuns } from './strip-picture.js';

const RANGES_SHOWN = 400;
const RANGES_PRINTED = 100;

type FileDetailsProps = { readonly file: PageFile; readonly document: PageDocument; readonly printing: boolean };

export function FileDetails({ file, document, printing }: FileDetailsProps): JSX.Element {
  const { strip, unit, salvage, remarks, held } = file;
  const most = printing ? RANGES_PRINTED : RANGES_SHOWN;
  const missing = useMemo(() => (strip ? missingStretches(stripRuns(strip), most) : null), [strip, most]);
  const rest = missing ? missing.number - missing.ranges.length : 0;
  return (
    <>
      {strip && !printing && <FileZoom file={file} strip={strip} countedTo={document.countedTo} />}
      {missing && missing.number > 0 && (
        <p class="ranges">
          Missing {unit}s, in {counted(missing.number, 'range')}
          {strip!.grain > 1 ? ` (to the nearest ${strip!.grain})` : ''}: {missing.ranges.map(rangeText).join(', ')}
          {rest > 0 ? ` and ${counted(rest, 'more range')}, all in missing.csv` : ''}
        </p>
      )}
      <ul class="holders">
        {document.stations.map(({ name }, i) => (
          <li key={i}>
            <bdi>{name}</bdi>: {count(held[i] ?? 0)} segments, {perCent(held[i] ?? 0, file.total)}
          </li>
        ))}
      </ul>
      <p class="dim">
        {remarks.join(' ')}
        {salvage && (
          <>
            {' '}
            {salvage.link ? <a href={salvage.link}>What can be seen of it</a> : 'What can be seen of it'}:{' '}
            {salvage.note}
          </>
        )}
      </p>
    </>
  );
}
