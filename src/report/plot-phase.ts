// Reception over the rotation: for one station the share received at each phase, with its 95 % band.
import type { StationEstimate } from '../planning/station-estimate.js';
import { htmlTable } from './html-table.js';
import { type Html, html } from './html-text.js';
import { bandPath, linePath, plotFrame } from './plot-frame.js';
import { percentText } from './repeats-words.js';

/** @param number tells the tables of a page apart */
export function plotPhase({ name, profile, view }: StationEstimate, number: number): Html | null {
  const heard = profile.filter(({ listened }) => listened > 0);
  if (heard.length < 2) return null;
  const width = 360 / profile.length;
  const middle = (phase: number): number => phase * 360 + width / 2;
  const share = ({ received, listened }: (typeof heard)[number]): number => received / listened;
  const plot = plotFrame(
    `Share received by ${name} over the rotation${view === null ? '' : `: in view for ${percentText(view)} of it`}`,
    {
      from: -180,
      to: 180,
      ticks: [-180, -90, 0, 90, 180],
      title: 'degrees from the middle of all views',
      text: (tick) => `${tick}°`,
    },
    { from: 0, to: 1, ticks: [0, 0.25, 0.5, 0.75, 1], title: 'received', text: (tick) => `${tick * 100} %` },
    ({ x, y }) => {
      const band = bandPath(heard.map(({ phase, interval }) => [x(middle(phase)), y(interval[0]), y(interval[1])]));
      const line = linePath(profile.map((bin) => (bin.listened === 0 ? null : [x(middle(bin.phase)), y(share(bin))])));
      return `<path class="band" d="${band}"/><path class="line" d="${line}"/>`;
    },
  );
  const table = htmlTable(
    `phase-${number}-caption`,
    html`Share received by <bdi>${name}</bdi>, by phase`,
    [
      { title: 'From', kind: 'number', cell: ({ phase }) => `${Math.round(phase * 360)}°` },
      { title: 'Listened', kind: 'number', cell: ({ listened }) => listened },
      { title: 'Received', kind: 'number', cell: ({ received }) => received },
      { title: '95 % interval', kind: 'number', cell: ({ interval }) => interval.map(percentText).join(' to ') },
    ],
    heard,
  );
  return html`<figure>${plot}<figcaption><bdi>${name}</bdi>: share of the frames received at each phase of the rotation. Band: 95 % interval.</figcaption>
<details><summary>The same as a table</summary>${table}</details></figure>`;
}
