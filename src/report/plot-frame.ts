// The frame of a small plot: axes with ticks and titles as SVG, scaled with its container. What is drawn in it comes from the caller
// in the frame's own coordinates. Plots have words as their label and a table beside them.
import { type Html, html, trustedHtml } from './html-text.js';

export type Axis = {
  readonly from: number;
  readonly to: number;
  readonly ticks: readonly number[];
  readonly title: string;
  readonly text?: (tick: number) => string;
};

/** Places in the picture for values on the axes, rounded to a tenth. */
export type Scales = { readonly x: (value: number) => number; readonly y: (value: number) => number };

const WIDTH = 360;
const HEIGHT = 216;
const LEFT = 58;
const RIGHT = 18;
const TOP = 10;
const BOTTOM = 38;

/** @param draw SVG markup from numbers alone, never from data that is text */
export function plotFrame(label: string, x: Axis, y: Axis, draw: (scales: Scales) => string): Html {
  const scales: Scales = {
    x: (value) => place(value, x, LEFT, WIDTH - RIGHT),
    y: (value) => place(value, y, HEIGHT - BOTTOM, TOP),
  };
  const bottom = HEIGHT - BOTTOM;
  const xTicks = x.ticks.map((tick) => {
    const at = scales.x(tick);
    return html`<path class="tick" d="M${at} ${bottom}v4"/><text x="${at}" y="${bottom + 16}" text-anchor="middle">${x.text?.(tick) ?? String(tick)}</text>`;
  });
  const yTicks = y.ticks.map((tick) => {
    const at = scales.y(tick);
    return html`<path class="grid" d="M${LEFT} ${at}H${WIDTH - RIGHT}"/><text x="${LEFT - 6}" y="${at + 4}" text-anchor="end">${y.text?.(tick) ?? String(tick)}</text>`;
  });
  return html`<svg class="plot" role="img" aria-label="${label}" viewBox="0 0 ${WIDTH} ${HEIGHT}">${yTicks}${xTicks}
<path class="axis" d="M${LEFT} ${TOP}V${bottom}H${WIDTH - RIGHT}"/>
<text x="${(LEFT + WIDTH - RIGHT) / 2}" y="${HEIGHT - 5}" text-anchor="middle">${x.title}</text>
<text transform="translate(11 ${(TOP + bottom) / 2})rotate(-90)" text-anchor="middle">${y.title}</text>
${trustedHtml(draw(scales))}</svg>`;
}

function place(value: number, { from, to }: Axis, low: number, high: number): number {
  const share = to === from ? 0.5 : Math.min(1, Math.max(0, (value - from) / (to - from)));
  return Math.round((low + share * (high - low)) * 10) / 10;
}

/** A line through points; it breaks where one is `null`. */
export function linePath(points: readonly (readonly [x: number, y: number] | null)[]): string {
  let path = '';
  let pen = 'M';
  for (const point of points) {
    if (point) path += `${pen}${point[0]} ${point[1]}`;
    pen = point ? 'L' : 'M';
  }
  return path;
}

/** The area between two lines with the same x. */
export function bandPath(points: readonly (readonly [x: number, low: number, high: number])[]): string {
  if (points.length === 0) return '';
  const up = points.map(([x, , high]) => [x, high] as const);
  const back = [...points].reverse().map(([x, low]) => [x, low] as const);
  return `${linePath([...up, ...back])}Z`;
}

/** Whole numbers from `from` to `to`, at most about `count`, in steps of 1, 2, 5, 10, … */
export function wholeTicks(from: number, to: number, count: number): number[] {
  const rough = Math.max(1, (to - from) / count);
  const power = 10 ** Math.floor(Math.log10(rough));
  const step = [1, 2, 5, 10].map((factor) => factor * power).find((own) => own >= rough - 1e-9) ?? rough;
  const ticks: number[] = [];
  for (let tick = Math.ceil(from / step) * step; tick <= to + 1e-9; tick += step) ticks.push(Math.round(tick));
  return ticks;
}

/** CSS of the plots: lines told apart by their dashes, bands by their hatch, not by colour alone. */
export const plotStyle = `
.plots { display: grid; grid-template-columns: repeat(auto-fill, minmax(min(100%, 20rem), 1fr)); gap: 1rem 1.5rem; margin: .8rem 0; max-width: 92rem; }
.plots figure { margin: 0; min-width: 0; }
.plots figcaption { color: var(--dim); font-size: .9em; overflow-wrap: anywhere; }
.plots .scroll { max-height: 20rem; }
.plot { display: block; width: 100%; max-width: 32rem; height: auto; }
.plot text { font-size: 11.5px; fill: var(--dim); font-variant-numeric: tabular-nums; }
.plot .axis, .plot .tick { fill: none; stroke: var(--dim); }
.plot .grid { fill: none; stroke: var(--line); }
.plot .line { fill: none; stroke: var(--several); stroke-width: 2; stroke-linejoin: round; }
.plot .band { fill: var(--unproven); fill-opacity: .3; stroke: none; }
.plot .goal { fill: none; stroke: var(--missing); stroke-width: 1.5; stroke-dasharray: 6 4; }
.plot .limit { fill: none; stroke: var(--ink); stroke-width: 1.5; stroke-dasharray: 1.5 3; }
.plot .dot { fill: var(--paper); stroke: var(--several); stroke-width: 2; }
.plot .pick { fill: var(--ink); stroke: var(--paper); }
.plot .never { fill: url(#never); }
.caution { border-left: .4rem solid var(--partial); padding-left: .6rem; }
`;
