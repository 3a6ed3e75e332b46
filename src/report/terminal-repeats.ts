// The repeats estimate on a terminal: the answer in words, then the tables it rests on.
import type { Estimate } from '../planning/estimate-repeats.js';
import { count, counted } from './quantity.js';
import {
  CAUTION,
  correlationWords,
  gainText,
  orderWords,
  percentText,
  rangeWords,
  repeatsAnswer,
  repeatsText,
  resonanceWords,
  rotationsText,
  rotationWords,
  signedSeconds,
} from './repeats-words.js';
import { wrapText } from './terminal.js';
import { textTable } from './text-table.js';

const ROWS_SHOWN = 12;

/** Lines of at most `width` columns, ending in a newline. Names are made harmless. */
export function terminalRepeats(estimate: Estimate, width = 80): string {
  const { rows, rotation, resonance, files, names, stations, sendNext, fitPerRotation } = estimate;
  const sections: string[][] = [];
  const say = (sentences: readonly string[]): string[] => sentences.flatMap((sentence) => wrapText(sentence, width));
  sections.push([...say(repeatsAnswer(estimate)), ...say([CAUTION])]);
  if (rows.length > 0) sections.push(['By station', stationTable(estimate, width)]);
  if (rotation) sections.push(['Rotation', ...say([rotationWords(rotation)])]);
  if (rotation) sections.push(['What each station met', receptionTable(estimate, width)]);
  const drifting = stations.flatMap(({ clock }) => (clock ? [clock] : []));
  if (drifting.length > 1) {
    const clocks = drifting.map(({ name, offsetSeconds }) => `${name} ${signedSeconds(offsetSeconds)}`);
    sections.push([
      'Clocks, against the middle of all',
      ...say([`${clocks.join(', ')}; from when recordings begin, so a late first frame looks like a late clock.`]),
    ]);
  }
  const shown = files.slice(0, ROWS_SHOWN);
  if (rotation && files.length > 1) {
    sections.push([
      'Each file alone, all stations together',
      textTable(
        [
          { title: 'segments', align: 'right' },
          { title: 'repeats', align: 'right' },
          { title: 'fit', align: 'right' },
          { title: 'name' },
        ],
        shown.map(({ id, segments, repeats, fitPerRotation: fit }) => [
          count(segments),
          repeatsText(repeats),
          fit === null ? '–' : count(fit),
          Object.hasOwn(names, id) ? names[id]! : `file ${id}`,
        ]),
        width,
      ),
      ...(files.length > ROWS_SHOWN
        ? [`… and ${counted(files.length - ROWS_SHOWN, 'more file')} (--json lists all)`]
        : []),
    ]);
  }
  if (estimate.rotationsFor.length > 0) {
    const words = estimate.rotationsFor.map(
      ({ repeats, rotations }) => `${repeats}: ${rotations === null ? 'more than 60' : rotations}`,
    );
    const fits = fitPerRotation === null ? '' : ` (${fitPerRotation} fit at this rate)`;
    sections.push([
      'Rotations needed, by repeats in each',
      ...say([`${words.join(', ')}${fits}. The repeats of one rotation fall between those of the others.`]),
    ]);
  }
  if (resonance) {
    sections.push([
      'Order of sending',
      ...say(resonanceWords(resonance)),
      textTable(
        [
          { title: 'for the target', align: 'right' },
          { title: 'in half of all cases', align: 'right' },
          { title: 'order' },
        ],
        [resonance.asSent, ...resonance.tried].map((order) => [
          rotationsText(order.rotations),
          rotationsText(order.typical),
          orderWords(order),
        ]),
        width,
      ),
    ]);
  }
  if (sendNext.files.length > 0) sections.push(['To send next', ...nextLines(estimate, width)]);
  if (estimate.notes.length > 0)
    sections.push(['Notes', ...estimate.notes.flatMap((note) => wrapText(`- ${note}`, width, '  '))]);
  return `${sections.map((lines) => lines.join('\n')).join('\n\n')}\n`;
}

function stationTable({ rows, target }: Estimate, width: number): string {
  return textTable(
    [
      { title: 'received', align: 'right', spare: 2 },
      { title: 'repeats', align: 'right' },
      { title: '90 % interval', align: 'right' },
      { title: `as sent, for ${percentText(target)}`, align: 'right', spare: 1 },
      { title: 'station' },
    ],
    rows.map(({ stations, probability, repeats, repeatsInterval, rotations }, i) => [
      percentText(probability),
      repeatsText(repeats),
      rangeWords(repeatsInterval),
      rotationsText(rotations),
      i === 0 && stations.length > 1 ? 'all together' : stations.join(', '),
    ]),
    width,
  );
}

function receptionTable(estimate: Estimate, width: number): string {
  const table = textTable(
    [
      { title: 'rotations', align: 'right', spare: 1 },
      { title: 'in view', align: 'right' },
      { title: 'lost in view', align: 'right' },
      { title: 'mean burst', align: 'right', spare: 2 },
      { title: 'station' },
    ],
    estimate.stations.map(({ name, turns, view, loss, burst }) => [
      count(turns),
      view === null ? '–' : percentText(view),
      percentText(loss),
      `${burst.toFixed(1)} frames`,
      name,
    ]),
    width,
  );
  return [table, ...correlationWords(estimate).flatMap((words) => wrapText(words, width))].join('\n');
}

function nextLines({ sendNext: { files, schedule, repeats } }: Estimate, width: number): string[] {
  const table = textTable(
    [
      { title: 'segments', align: 'right' },
      { title: 'gain', align: 'right' },
      { title: 'which', spare: 1 },
      { title: 'name' },
    ],
    files.slice(0, ROWS_SHOWN).map((file) => [count(file.count), gainText(file), rangesText(file.missing), file.name]),
    width,
  );
  if (!schedule || repeats === null) return [table];
  const rest = schedule.left > 0 ? ` ${counted(schedule.left, 'segment')} find no room in this rotation.` : '';
  return [
    table,
    ...wrapText(
      `In one rotation: these ${counted(schedule.segments, 'segment')} in this order, ${repeats} times, begun anew every ${counted(schedule.every, 'transmission')}.${rest}`,
      width,
    ),
  ];
}

function rangesText(ranges: readonly (readonly [number, number])[]): string {
  const shown = ranges.slice(0, 3).map(([first, last]) => (first === last ? `${first}` : `${first}–${last}`));
  return `${shown.join(', ')}${ranges.length > 3 ? ', …' : ''}`;
}
