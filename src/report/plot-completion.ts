// Completion curves: the chance that everything arrives, over the repeats in one rotation and over rotations, with its 90 % band, the
// target (dashed) and what fits (dotted).
import type { RepeatsEstimate } from '../planning/estimate-repeats.js';
import { htmlTable } from './html-table.js';
import { type Html, html } from './html-text.js';
import { bandPath, linePath, plotFrame, wholeTicks } from './plot-frame.js';
import { percentText } from './repeats-words.js';

type Point = { readonly at: number; readonly chance: number; readonly interval: readonly [number, number] };
type Words = {
  /** Names the table within the page. */
  readonly id: string;
  readonly axis: string;
  readonly column: string;
  readonly caption: string;
};

export function plotCompletion({ rows, target, fitPerRotation, rotation }: RepeatsEstimate): Html | null {
  const points =
    rows[0]?.curve.map(({ repeats, chance, interval }): Point => ({ at: repeats, chance, interval })) ?? [];
  const axis = rotation ? 'repeats in one rotation' : 'repeats in all';
  const caption = 'Chance that everything arrives, by repeats; all stations together.';
  return plotCurve(points, target, fitPerRotation, { id: 'completion', axis, column: 'Repeats', caption });
}

export function plotRotations({ rows, target }: RepeatsEstimate): Html | null {
  const points =
    rows[0]?.byRotations.map(({ rotations, chance, interval }): Point => ({ at: rotations, chance, interval })) ?? [];
  const caption = 'Chance that everything has arrived, by rotations, as the carousel is sent; all stations together.';
  return plotCurve(points, target, null, { id: 'rotations', axis: 'rotations, as sent', column: 'Rotations', caption });
}

function plotCurve(
  points: readonly Point[],
  target: number,
  fits: number | null,
  { id, axis, column, caption }: Words,
): Html | null {
  const last = points.at(-1)?.at ?? 0;
  if (points.length < 2) return null;
  const limit = fits !== null && fits >= 1 && fits <= last ? fits : null;
  const label = `${caption} ${points.map(({ at, chance }) => `${at}: ${percentText(chance)}`).join(', ')}`;
  const plot = plotFrame(
    label,
    { from: 1, to: last, ticks: wholeTicks(1, last, 8), title: axis },
    { from: 0, to: 1, ticks: [0, 0.25, 0.5, 0.75, 1], title: 'chance', text: (tick) => `${tick * 100} %` },
    ({ x, y }) => {
      const band = bandPath(points.map(({ at, interval }) => [x(at), y(interval[0]), y(interval[1])]));
      const line = linePath(points.map(({ at, chance }) => [x(at), y(chance)]));
      const dots = points.map(({ at, chance }) => `<circle class="dot" cx="${x(at)}" cy="${y(chance)}" r="2.5"/>`);
      const fit = limit === null ? '' : `<path class="limit" d="M${x(limit)} ${y(0)}V${y(1)}"/>`;
      return `<path class="band" d="${band}"/><path class="goal" d="M${x(1)} ${y(target)}H${x(last)}"/>${fit}<path class="line" d="${line}"/>${dots.join('')}`;
    },
  );
  const table = htmlTable(
    `${id}-caption`,
    caption,
    [
      { title: column, kind: 'number', cell: ({ at }) => at },
      { title: 'Chance', kind: 'number', cell: ({ chance }) => percentText(chance) },
      { title: '90 % interval', kind: 'number', cell: ({ interval }) => interval.map(percentText).join(' to ') },
    ],
    points,
  );
  const dotted = limit === null ? '' : ' Dotted: what fits at this rate.';
  return html`<figure>${plot}<figcaption>${caption} Band: 90 % interval. Dashed: the target.${dotted}</figcaption>
<details><summary>The same as a table</summary>${table}</details></figure>`;
}
