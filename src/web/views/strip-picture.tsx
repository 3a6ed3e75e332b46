// The strip of a file: which of its segments came and how often. The heights tell it without colour: the taller the more often, low =
// once, hatched with a mark below = missing. A column stands for the worst of its segments, so that nothing missing is hidden.
import type { JSX } from 'preact';
import { useMemo, useRef } from 'preact/hooks';
import type { PageFile } from '../../report/page-document.js';
import { count, counted } from '../../report/quantity.js';
import { type CodedStrip, decodeStrip, type StripRuns } from '../../report/strip-code.js';
import { type StretchWindow, wholeLine } from './stretch-window.js';
import { barPath, stripColumns, stripSums } from './strip-columns.js';
import { useSeen } from './use-seen.js';

const FLOOR = 24;
const MARK = 28;
/** By how often a segment came; from four times on as tall as can be. */
const HEIGHTS = [0, 8, 14, 19, FLOOR];

const decoded = new WeakMap<CodedStrip, StripRuns>();

export function stripRuns(strip: CodedStrip): StripRuns {
  const known = decoded.get(strip);
  if (known) return known;
  const runs = decodeStrip(strip);
  decoded.set(strip, runs);
  return runs;
}

/** `1,066 segments: 900 received several times, 104 once, 62 missing` */
export function stripWords(runs: StripRuns, window: StretchWindow, unit: PageFile['unit']): string {
  const { missing, once, several } = stripSums(runs, window);
  return `${counted(window.end - window.start, unit)}: ${count(several)} received several times, ${count(once)} once, ${count(missing)} missing`;
}

/** What all strips share; stands once in the page. */
export function StripPatterns(): JSX.Element {
  return (
    <svg class="defs" width="0" height="0" aria-hidden="true">
      <defs>
        <pattern id="hatch" width="6" height="6" patternUnits="userSpaceOnUse" patternTransform="rotate(45)">
          <path class="hatch" d="M0 0v6" />
        </pattern>
      </defs>
    </svg>
  );
}

/** The bars of one window. `columns`: how many at most, best the width in pixels. */
export function StripBars({
  runs,
  window,
  columns,
}: {
  readonly runs: StripRuns;
  readonly window: StretchWindow;
  readonly columns: number;
}): JSX.Element {
  const lowest = stripColumns(runs, window, columns);
  const height = (times: number): number => HEIGHTS[Math.min(times, HEIGHTS.length - 1)]!;
  const missing = (size: number) => (times: number) => (times === 0 ? size : 0);
  const bars = (heightOf: (times: number) => number, floor: number): string =>
    barPath(lowest, heightOf, floor, columns);
  return (
    <svg class="strip" viewBox={`0 0 ${columns} ${MARK}`} preserveAspectRatio="none" aria-hidden="true">
      <path class="gap" d={bars(missing(FLOOR), FLOOR)} fill="url(#hatch)" />
      <path class="mark" d={bars(missing(MARK - FLOOR - 1), MARK)} vector-effect="non-scaling-stroke" />
      <path class="once" d={bars((times) => (times === 1 ? height(1) : 0), FLOOR)} />
      <path class="several" d={bars((times) => (times > 1 ? height(times) : 0), FLOOR)} />
    </svg>
  );
}

/** The whole strip of a file as one picture with its words, drawn when it comes near the screen. */
export function StripPicture({ file, printing }: { readonly file: PageFile; readonly printing: boolean }): JSX.Element {
  const box = useRef<HTMLDivElement>(null);
  const seen = useSeen(box, printing);
  const { strip, unit } = file;
  const drawing = useMemo(() => {
    if (!seen || !strip) return null;
    const runs = stripRuns(strip);
    const window = wholeLine(strip.total);
    return { words: stripWords(runs, window, unit), bars: <StripBars runs={runs} window={window} columns={800} /> };
  }, [seen, strip, unit]);
  if (!strip) return <p class="dim">No strip: the number of segments is unknown.</p>;
  return (
    <div
      ref={box}
      class="strip-box"
      role="img"
      aria-label={drawing?.words ?? `${count(file.received)} of ${count(file.total)} received`}
    >
      {drawing?.bars}
    </div>
  );
}
