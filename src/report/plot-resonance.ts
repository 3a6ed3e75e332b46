// The resonance map: rotations until every phase of the carousel met the view, over a pause after each turn (right) or a later start
// of each (left). Peaks are resonances.
import { MOST_ROTATIONS, type Resonance } from '../planning/resonance.js';
import { htmlTable } from './html-table.js';
import { type Html, html } from './html-text.js';
import { linePath, plotFrame, wholeTicks } from './plot-frame.js';
import { count, counted } from './quantity.js';
import { orderWords, rotationsText } from './repeats-words.js';

export function plotResonance({ map, best, asSent, tried, hits }: Resonance): Html | null {
  if (map.length < 2) return null;
  const [from, to] = [map[0]!.frames, map.at(-1)!.frames];
  const highest = Math.max(1, ...map.map(({ rotations }) => rotations ?? 1));
  const picked = best.kind === 'pause' ? best.frames : best.kind === 'later start' ? -best.frames : null;
  const now = map.reduce((near, own) => (Math.abs(own.frames) < Math.abs(near.frames) ? own : near));
  const plot = plotFrame(
    `Rotations until every phase was in view ${counted(hits, 'time')}, over the frames of pause after each turn of the carousel; as sent: ${rotationsText(now.rotations)}`,
    { from, to, ticks: wholeTicks(from, to, 6), title: 'frames: later start (−) or pause', text: count },
    { from: 0, to: highest, ticks: wholeTicks(0, highest, 5), title: 'rotations' },
    ({ x, y }) => {
      const step = x(from + (to - from) / (map.length - 1)) - x(from);
      const never = map.flatMap(({ frames, rotations }) => (rotations === null ? [[x(frames), step] as const] : []));
      const columns = never.map(
        ([at, wide]) =>
          `<rect class="never" x="${at}" y="${y(highest)}" width="${Math.max(1, wide).toFixed(1)}" height="${y(0) - y(highest)}"/>`,
      );
      const line = linePath(
        map.map(({ frames, rotations }) => (rotations === null ? null : [x(frames), y(rotations)])),
      );
      const here = `<path class="limit" d="M${x(0)} ${y(0)}V${y(highest)}"/>`;
      const chosen = picked === null ? undefined : map.find(({ frames }) => frames === picked);
      const pick = chosen?.rotations
        ? `<path class="pick" d="M${x(chosen.frames)} ${y(chosen.rotations)}l-5 -9h10z"/>`
        : '';
      return `<defs><pattern id="never" width="6" height="6" patternUnits="userSpaceOnUse" patternTransform="rotate(45)"><path class="hatch" d="M0 0v6"/></pattern></defs>${columns.join('')}<path class="line" d="${line}"/>${here}${pick}`;
    },
  );
  const table = htmlTable(
    'orders-caption',
    'Orders of sending that were tried: rotations until everything is in',
    [
      { title: 'Order', kind: 'heading', cell: (order) => orderWords(order) },
      { title: 'For the target', kind: 'number', cell: ({ rotations }) => rotationsText(rotations) },
      { title: 'In half of all cases', kind: 'number', cell: ({ typical }) => rotationsText(typical) },
    ],
    [asSent, ...tried],
  );
  return html`<figure>${plot}<figcaption>Rotations until every phase was in view ${counted(hits, 'time')}, as many as losses call for. Dotted: as sent${picked === null ? '' : '; triangle: the best that was tried'}. Peaks are orders in step with the rotation; hatched: more than ${MOST_ROTATIONS}.</figcaption>
<details><summary>Orders of sending that were tried</summary>${table}</details></figure>`;
}
