// The coverage strip of one file: an SVG of at most 1000 columns, drawn by run length, one path for each state.
// Heights tell the states apart without colour: tall = several times, low = once, hatched with a mark below = missing.
import type { Strip } from '../coverage/coverage.js';
import { type Html, html, trustedHtml } from './html-text.js';
import { counted } from './quantity.js';

const missing = 0;
const once = 1;
const several = 2;
const barMiddle = 10;
const markMiddle = 23;

/** What all strips of a page share; stands once in the page. Colours are set by the page's style. */
export const stripPatterns: Html = html`<svg class="defs" width="0" height="0" aria-hidden="true"><defs>
<pattern id="hatch" width="6" height="6" patternUnits="userSpaceOnUse" patternTransform="rotate(45)"><path class="hatch" d="M0 0v6"/></pattern>
<linearGradient id="once" gradientUnits="userSpaceOnUse" x1="0" y1="0" x2="0" y2="20">
<stop class="paper" offset="0.55"/><stop class="once" offset="0.55"/></linearGradient></defs></svg>`;

/**
 * The strip as SVG, as wide as its container. A column stands for the worst of its segments, so that nothing missing is
 * hidden; where the drawing would be longer than `maxLength` characters, it has fewer columns.
 *
 * @param noun what the strip counts: `segment` or `byte`
 */
export function stripSvg(strip: Strip, noun: string, maxLength: number): Html {
  let paths = { once: '', several: '', missing: '' };
  let columns = Math.min(strip.total, 1000);
  for (; columns > 0; columns = Math.floor(columns / 2)) {
    const levels = columnLevels(strip, columns);
    paths = {
      once: levelPath(levels, once, barMiddle),
      several: levelPath(levels, several, barMiddle),
      missing: levelPath(levels, missing, markMiddle),
    };
    if (paths.once.length + paths.several.length + paths.missing.length <= maxLength || columns <= 100) break;
  }
  const path = (name: string, d: string) => (d === '' ? null : trustedHtml(`<path class="${name}" d="${d}"/>`));
  const hatch = paths.missing === '' ? null : trustedHtml('<rect width="100%" height="20" fill="url(#hatch)"/>');
  return html`<svg class="strip" role="img" aria-label="${stripWords(strip, noun)}">${hatch}<svg viewBox="0 0 ${Math.max(columns, 1)} 26" preserveAspectRatio="none">${path('o', paths.once)}${path('s', paths.several)}${path('m', paths.missing)}</svg></svg>`;
}

/** The same in words: `1,066 segments: 900 received several times, 104 once, 62 missing`. */
export function stripWords({ total, runs }: Strip, noun: string): string {
  const sums = [0, 0, 0];
  for (const [first, last, times] of runs) sums[Math.min(times, several)]! += last - first + 1;
  return `${counted(total, noun)}: ${counted(sums[several]!, noun)} received several times, ${counted(sums[once]!, noun)} once, ${counted(sums[missing]!, noun)} missing`;
}

/** For each column the lowest level of the segments in it. */
function columnLevels({ total, runs }: Strip, columns: number): Uint8Array {
  const levels = new Uint8Array(columns).fill(several);
  for (const level of [once, missing]) {
    for (const [first, last, times] of runs) {
      if (times !== level) continue;
      levels.fill(level, Math.floor((first * columns) / total), Math.floor((last * columns) / total) + 1);
    }
  }
  return levels;
}

/** Horizontal strokes over the columns of one level, moves relative to the end of the stroke before. */
function levelPath(levels: Uint8Array, level: number, y: number): string {
  let path = '';
  let pen = 0;
  for (let start = levels.indexOf(level); start !== -1; start = levels.indexOf(level, pen)) {
    let end = start + 1;
    while (levels[end] === level) end += 1;
    path += path === '' ? `M${start} ${y}h${end - start}` : `m${start - pen} 0h${end - start}`;
    pen = end;
  }
  return path;
}
