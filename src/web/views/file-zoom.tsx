// The strip of one file, zoomable down to single segments.
import type { JSX } from 'preact';
import type { PageFile } from '../../report/page-document.js';
import { count } from '../../report/quantity.js';
import type { CodedStrip } from '../../report/strip-code.js';
import { fitWindow } from './stretch-window.js';
import { nextMissing, runAt } from './strip-columns.js';
import { StripBars, stripRuns, stripWords } from './strip-picture.js';
import { ZoomFrame } from './zoom-frame.js';

type FileZoomProps = { readonly file: PageFile; readonly strip: CodedStrip; readonly countedTo: number };

export function FileZoom({ file, strip, countedTo }: FileZoomProps): JSX.Element {
  const runs = stripRuns(strip);
  const { unit } = file;
  return (
    <ZoomFrame
      length={strip.total}
      narrowest={Math.min(strip.total, 8 * strip.grain)}
      label={`${unit}s of ${file.name}, from the first to the last`}
      describe={(window) =>
        `Shown: ${unit} ${count(window.start)} to ${count(window.end - 1)} of ${count(strip.total)} (the first is 0). ${stripWords(runs, window, unit)}.`
      }
      tell={(position) => {
        const run = runAt(runs, position);
        const times = runs.counts[run]!;
        const came = times === 0 ? 'missing' : times === 1 ? 'received once' : `received ${times} times`;
        const last = runs.starts[run + 1]! - 1;
        const likewise = last > runs.starts[run]! ? `, as all from ${count(runs.starts[run]!)} to ${count(last)}` : '';
        const grain = strip.grain > 1 ? ` (the worst of ${strip.grain} ${unit}s)` : '';
        return `${unit} ${count(position)}: ${came}${times === countedTo ? ' or more' : ''}${likewise}${grain}`;
      }}
      jump={{
        label: 'Next missing',
        to: (window) => {
          const middle = (window.start + window.end) / 2;
          const gap = nextMissing(runs, middle + 1);
          if (!gap) return null;
          const size = Math.max(8 * strip.grain, (gap.end - gap.start) * 4, Math.min(200, strip.total));
          const centre = (gap.start + gap.end) / 2;
          return fitWindow(centre - size / 2, centre + size / 2, strip.total);
        },
      }}
    >
      {(window, columns) => <StripBars runs={runs} window={window} columns={columns} />}
    </ZoomFrame>
  );
}
