// The Repeats section of the page: how many repeats per rotation the next downlink needs, what that rests on, and what to send next.
import type { Estimate } from '../planning/estimate-repeats.js';
import { htmlTable } from './html-table.js';
import { type Html, html } from './html-text.js';
import { plotCompletion, plotRotations } from './plot-completion.js';
import { plotPhase } from './plot-phase.js';
import { plotResonance } from './plot-resonance.js';
import { count, counted, rangeText } from './quantity.js';
import {
  CAUTION,
  correlationWords,
  gainText,
  percentText,
  rangeWords,
  repeatsAnswer,
  repeatsText,
  resonanceWords,
  rotationsText,
  rotationWords,
  signedSeconds,
} from './repeats-words.js';

const FILES_SHOWN = 200;
const PHASES_SHOWN = 12;

export function htmlRepeats(estimate: Estimate): Html {
  const { rows, rotation, stations, resonance, notes } = estimate;
  const [answer, ...more] = repeatsAnswer(estimate);
  const sentences = [
    ...more,
    ...(rotation ? [rotationWords(rotation), ...correlationWords(estimate)] : []),
    ...(resonance ? resonanceWords(resonance) : []),
  ];
  const plots = [
    plotCompletion(estimate),
    plotRotations(estimate),
    resonance && plotResonance(resonance),
    ...stations.slice(0, PHASES_SHOWN).map(plotPhase),
  ];
  return html`<p class="lead">${answer ?? ''}</p>
${sentences.map((sentence) => html`<p>${sentence}</p>\n`)}<p class="caution">${CAUTION}</p>
${rows.length > 0 && estimate.segments > 0 ? stationTable(estimate) : null}
<div class="plots">${plots}</div>
${rotation ? fileTable(estimate) : null}${nextTable(estimate)}
${notes.length > 0 ? html`<ul>${notes.map((note) => html`<li>${note}</li>\n`)}</ul>` : null}`;
}

function stationTable({ rows, stations, rotation, target }: Estimate): Html {
  const met = new Map(stations.map((station) => [station.name, station]));
  const lines = rows.map((row, i) => ({
    row,
    station: i === 0 && rows.length > 1 ? undefined : met.get(row.stations[0] ?? ''),
  }));
  return htmlTable(
    'repeats-caption',
    rotation
      ? `Repeats in one rotation for a chance of ${percentText(target)}, by station`
      : `Repeats in all for a chance of ${percentText(target)}, by station`,
    [
      {
        title: 'Station',
        kind: 'heading',
        cell: ({ row, station }) => (station ? html`<bdi>${row.stations[0] ?? ''}</bdi>` : 'all together'),
      },
      { title: 'Repeats', kind: 'number', cell: ({ row }) => repeatsText(row.repeats) },
      { title: '90 % interval', kind: 'number', cell: ({ row }) => rangeWords(row.repeatsInterval) },
      { title: 'As sent', kind: 'number', cell: ({ row }) => (rotation ? rotationsText(row.rotations) : '–') },
      { title: 'Received', kind: 'number', cell: ({ row }) => percentText(row.probability) },
      {
        title: 'In view',
        kind: 'number',
        cell: ({ station }) => (station?.view == null ? '–' : percentText(station.view)),
      },
      { title: 'Lost in view', kind: 'number', cell: ({ station }) => (station ? percentText(station.loss) : '–') },
      {
        title: 'Mean burst',
        kind: 'number',
        cell: ({ station }) => (station ? `${station.burst.toFixed(1)} frames` : '–'),
      },
      {
        title: 'Clock',
        kind: 'number',
        cell: ({ station }) => (station?.clock ? signedSeconds(station.clock.offsetSeconds) : '–'),
      },
    ],
    lines,
  );
}

function fileTable({ files, names }: Estimate): Html {
  const rest = files.length - FILES_SHOWN;
  const table = htmlTable(
    'repeats-files-caption',
    'Repeats of each file alone in one rotation, all stations together',
    [
      {
        title: 'File',
        kind: 'heading',
        cell: ({ id }) => html`<bdi>${Object.hasOwn(names, id) ? names[id]! : `file ${id}`}</bdi>`,
      },
      { title: 'Segments', kind: 'number', cell: ({ segments }) => count(segments) },
      { title: 'Repeats', kind: 'number', cell: ({ repeats }) => repeatsText(repeats) },
      {
        title: 'Fit',
        kind: 'number',
        cell: ({ fitPerRotation }) => (fitPerRotation === null ? '–' : count(fitPerRotation)),
      },
    ],
    files.slice(0, FILES_SHOWN),
  );
  return html`<details><summary>Each file alone (${counted(files.length, 'file')})</summary>${table}${rest > 0 ? html`<p>${counted(rest, 'more file')} in the output of the repeats command.</p>` : null}</details>`;
}

function nextTable({ sendNext: { files, schedule } }: Estimate): Html | null {
  if (files.length === 0) return null;
  const shown = files.slice(0, FILES_SHOWN);
  const table = htmlTable(
    'next-caption',
    'What to send next: missing segments, what brings most for each first',
    [
      { title: 'File', kind: 'heading', cell: ({ name }) => html`<bdi>${name}</bdi>` },
      { title: 'Segments', kind: 'number', cell: (file) => count(file.count) },
      { title: 'Which', kind: 'code', cell: ({ missing }) => rangesText(missing) },
      { title: 'Gain, about', kind: 'number', cell: (file) => gainText(file) },
    ],
    shown,
  );
  if (!schedule) return table;
  const rest = schedule.left > 0 ? ` ${counted(schedule.left, 'segment')} find no room in it.` : '';
  const words = `As a schedule for one rotation: these ${counted(schedule.segments, 'segment')} in this order, ${counted(schedule.repeats, 'time')}, begun anew every ${counted(schedule.every, 'transmission')}.${rest}`;
  return html`${table}<p>${words}</p>`;
}

function rangesText(ranges: readonly (readonly [number, number])[]): string {
  const shown = ranges.slice(0, 20).map(([first, last]) => rangeText([first, last]));
  return `${shown.join(', ')}${ranges.length > 20 ? `, … (${count(ranges.length - 20)} more)` : ''}`;
}
