// The timeline: when each station received, on the common line of transmissions, rotations marked; drag over a stretch to zoom.
import type { JSX } from 'preact';
import { useState } from 'preact/hooks';
import type { Timeline, TimelineStation } from '../../coverage/timeline.js';
import { count, counted, perCent } from '../../report/quantity.js';
import { DataTable } from './data-table.js';
import { listenedColumns, receptionColumns, receptionSums } from './reception-columns.js';
import { type StretchWindow, wholeLine } from './stretch-window.js';
import { barPath } from './strip-columns.js';
import { localText, TimeText, utcText } from './time-text.js';
import { placeAt, rotationMarks, type TimelinePlace } from './timeline-place.js';
import type { ViewProps } from './view.js';
import { ZoomFrame } from './zoom-frame.js';

const FLOOR = 24;
const MOST_MARKS = 10;

export function TimelineView({ document, printing }: ViewProps): JSX.Element {
  const { timeline } = document;
  const { length, runs, joined, rotationSeconds } = timeline;
  const [shown, setShown] = useState<StretchWindow>(wholeLine(length));
  if (length === 0) return <p>No transmission is known yet.</p>;
  const window = printing || shown.end > length ? wholeLine(length) : shown;
  return (
    <>
      <p>
        From the first transmission that anybody received (left) to the last, by the on-board counter. The taller a bar,
        the larger the share received; the thin line below tells when the station was recording.
        {rotationSeconds === null
          ? ' Rotations are not marked: the mission file states no rotation.'
          : ` Dashed: a new rotation of ${rotationSeconds} s, counted from the first frame received.`}
        {joined > 0 &&
          ` Silences of up to ${counted(joined, 'transmission')} are drawn as part of the stretch around them.`}
      </p>
      <ZoomFrame
        length={length}
        narrowest={Math.min(length, 16)}
        label="Reception of each station over time"
        describe={(part) => <Extent timeline={timeline} window={part} />}
        tell={(position) => placeWords(placeAt(timeline, position))}
        onWindow={setShown}
      >
        {(part, columns) => <Lanes timeline={timeline} window={part} columns={columns} />}
      </ZoomFrame>
      <DataTable
        caption="The same in numbers, for the part shown above"
        printing={printing}
        rows={timeline.stations.map((station) => ({ name: station.name, ...receptionSums(station, window) }))}
        columns={[
          {
            title: 'Station',
            kind: 'heading',
            key: ({ name }) => name ?? '',
            cell: ({ name }) => <LaneName name={name} />,
          },
          {
            title: 'Transmissions received',
            kind: 'number',
            key: (row) => row.received,
            cell: (row) => count(row.received),
          },
          {
            title: 'Sent while recording',
            kind: 'number',
            key: ({ listened }) => listened,
            cell: ({ listened }) => count(listened),
          },
          { title: 'Share', kind: 'number', cell: ({ received, listened }) => perCent(received, listened) },
        ]}
      />
      <DataTable
        caption="On-board runs: the counter goes on within a run, and begins again with the next"
        printing={printing}
        rows={runs}
        columns={[
          { title: 'Run', kind: 'heading', cell: ({ run }) => run },
          { title: 'First counter', kind: 'number', cell: ({ first }) => count(first) },
          { title: 'Last counter', kind: 'number', cell: ({ last }) => count(last) },
          {
            title: 'First frame sent',
            kind: 'words',
            cell: ({ sentAt }) => (sentAt === null ? 'no clock tells' : <TimeText at={sentAt} />),
          },
          {
            title: 'By the clocks of',
            kind: 'words',
            cell: ({ clocks, clockSpreadSeconds }) =>
              clocks === 0
                ? '–'
                : `${counted(clocks, 'recording')}${clocks > 1 ? `, ${clockSpreadSeconds.toFixed(0)} s apart; the middle one counts` : ''}`,
          },
        ]}
      />
    </>
  );
}

function LaneName({ name }: { readonly name: string | null }): JSX.Element {
  return name === null ? <>all together</> : <bdi>{name}</bdi>;
}

type LanesProps = { readonly timeline: Timeline; readonly window: StretchWindow; readonly columns: number };

function Lanes({ timeline, window, columns }: LanesProps): JSX.Element {
  const { marks, every } = rotationMarks(timeline, window, Math.max(2, Math.min(MOST_MARKS, columns / 90)));
  const share = (at: number): number => (at - window.start) / (window.end - window.start);
  const breaks = timeline.runs.slice(1).filter(({ at }) => at > window.start && at < window.end);
  return (
    <div class="lanes">
      <div class="axis" aria-hidden="true">
        {marks.map(({ at, rotation }) => (
          <span key={at} style={{ left: `${share(at) * 100}%` }}>
            {rotation}
          </span>
        ))}
        {marks.length > 0 && <b>rotation{every > 1 ? `, every ${every}` : ''}</b>}
      </div>
      {timeline.stations.map((station, i) => (
        <div class="lane" key={i}>
          <span class="lane-name">
            <LaneName name={station.name} />
          </span>
          <LaneBars station={station} window={window} columns={columns} />
        </div>
      ))}
      <svg class="marks" viewBox="0 0 1 1" preserveAspectRatio="none" aria-hidden="true">
        {marks.map(({ at }) => (
          <path key={at} class="rotation" d={`M${share(at)} 0v1`} vector-effect="non-scaling-stroke" />
        ))}
        {breaks.map(({ at, run }) => (
          <path key={run} class="break" d={`M${share(at)} 0v1`} vector-effect="non-scaling-stroke" />
        ))}
      </svg>
    </div>
  );
}

type LaneProps = { readonly station: TimelineStation; readonly window: StretchWindow; readonly columns: number };

function LaneBars({ station, window, columns }: LaneProps): JSX.Element {
  const number = Math.min(columns, window.end - window.start);
  // A column in which anything arrived shows at least a low bar, and a tall one only where nearly all did.
  const heightOf = (value: number): number => (value < 1e-6 ? 0 : 3 + Math.floor(Math.min(1, value + 1e-6) * 7) * 3);
  return (
    <svg class="strip" viewBox={`0 0 ${columns} 28`} preserveAspectRatio="none" aria-hidden="true">
      <path class="several" d={barPath(receptionColumns(station.heard, window, number), heightOf, FLOOR, columns)} />
      <path
        class="listened"
        d={barPath(listenedColumns(station.listened, window, number), (value) => value * 2, 28, columns)}
      />
    </svg>
  );
}

function placeWords(place: TimelinePlace | null): string {
  if (!place) return '';
  const { run, counter, rotation, sentAt } = place;
  return [
    `run ${run}, counter ${count(counter)}`,
    ...(rotation === null ? [] : [`rotation ${rotation}`]),
    ...(sentAt === null ? [] : [`${utcText(sentAt)} (local ${localText(sentAt)})`]),
  ].join(', ');
}

function Extent({ timeline, window }: { readonly timeline: Timeline; readonly window: StretchWindow }): JSX.Element {
  return (
    <>
      Shown: {placeWords(placeAt(timeline, window.start))} to {placeWords(placeAt(timeline, window.end - 1))}.
    </>
  );
}
