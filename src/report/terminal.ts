// The report on a terminal: what is whole and what is missing in words, then files, stations, outputs and notes.
import picocolors from 'picocolors';
import type { FileCoverage, FileState } from '../coverage/coverage.js';
import { fileStates, filesByNeed } from './file-state.js';
import type { Report } from './model.js';
import { plainText, textWidth } from './plain-text.js';
import { count, counted, perCent, rangesTotal, sizeText } from './quantity.js';
import { summaryWords } from './summary-words.js';
import { textTable } from './text-table.js';

export type TerminalOptions = {
  /** Columns; default 80, at least 32. */
  readonly width?: number;
  /** Whether to use colour; default no. States are always words as well. */
  readonly colour?: boolean;
};

const filesShown = 25;
const notesShown = 10;

const outputs = {
  files: ['complete file', 'byte for byte as sent'],
  partial: ['incomplete file', 'holes filled with zeros, listed in NAME.gaps.json'],
  salvage: ['picture or clip', 'what can be looked at of incomplete files, holes marked'],
} as const;

/** The report as lines of at most `width` columns, ending in a newline. Names and notes are made harmless. */
export function terminalSummary(report: Report, options: TerminalOptions = {}): string {
  const width = Math.max(32, options.width ?? 80);
  const colours = picocolors.createColors(options.colour ?? false);
  const { coverage } = report;
  const heading = (text: string) => colours.bold(plainText(text, width));
  const sections = [
    [
      heading(`${coverage.mission}: coverage`),
      ...summaryWords(report).flatMap((sentence) => wrapText(sentence, width)),
    ],
  ];
  if (coverage.files.length > 0) sections.push([heading('Files'), ...fileLines(coverage.files, width, colours)]);
  if (coverage.stations.length > 0) sections.push([heading('Stations'), stationTable(report, width)]);
  sections.push([
    heading('Written'),
    ...outputLines(coverage.files).flatMap((line) => wrapText(line, width, ' '.repeat(10))),
  ]);
  if (coverage.notes.length > 0) {
    const notes = coverage.notes.slice(0, notesShown).map((note) => `- ${note}`);
    const rest = coverage.notes.length - notes.length;
    if (rest > 0) notes.push(`… and ${counted(rest, 'more note')} in report.html`);
    sections.push([heading('Notes'), ...notes.flatMap((note) => wrapText(note, width, '  '))]);
  }
  return `${sections.map((lines) => lines.join('\n')).join('\n\n')}\n`;
}

function fileLines(
  files: readonly FileCoverage[],
  width: number,
  colours: ReturnType<typeof picocolors.createColors>,
): string[] {
  const paints: Record<FileState, (text: string) => string> = {
    whole: colours.green,
    unproven: colours.cyan,
    partial: colours.yellow,
    disputed: colours.magenta,
  };
  const shown = filesByNeed(files).slice(0, filesShown);
  const table = textTable(
    [
      { title: 'state', paint: (cell) => paints[cell as FileState](cell) },
      { title: 'size', align: 'right', spare: 2 },
      { title: 'segments', align: 'right', spare: 3 },
      { title: 'received', align: 'right' },
      { title: 'missing', align: 'right', spare: 1 },
      { title: 'file', align: 'right', spare: 4 },
      { title: 'name' },
    ],
    shown.map((file) => [
      file.state,
      sizeText(file.bytes),
      `${count(file.segments.received)}/${count(file.segments.total)}`,
      perCent(file.segments.received, file.segments.total),
      missingText(file),
      file.id,
      file.name,
    ]),
    width,
  );
  const hidden = filesByNeed(files).slice(filesShown);
  if (hidden.length === 0) return [table];
  const kinds = fileStates
    .map((state) => [hidden.filter((file) => file.state === state).length, state] as const)
    .filter(([number]) => number > 0)
    .map(([number, state]) => `${count(number)} ${state}`);
  return [table, ...wrapText(`… and ${count(hidden.length)} more (${kinds.join(', ')}), all in report.html`, width)];
}

function missingText({ segments }: FileCoverage): string {
  if (segments.missing.length === 0) return segments.received < segments.total ? 'unknown' : 'none';
  const amount = rangesTotal(segments.missing);
  return `${segments.unit === 'byte' ? sizeText(amount) : count(amount)} in ${counted(segments.missing.length, 'range')}`;
}

function stationTable({ coverage }: Report, width: number): string {
  return textTable(
    [
      { title: 'recordings', align: 'right', spare: 2 },
      { title: 'intact', align: 'right' },
      { title: 'damaged', align: 'right', spare: 1 },
      { title: 'lost', align: 'right' },
      { title: 'segments', align: 'right', spare: 3 },
      { title: 'only here', align: 'right', spare: 4 },
      { title: 'station' },
    ],
    coverage.stations.map(({ name, recordings, frames, segments }) => [
      ...[recordings, frames.intact, frames.damaged, frames.lost, segments.received, segments.onlyHere].map(count),
      name,
    ]),
    width,
  );
}

function outputLines(files: readonly FileCoverage[]): string[] {
  const paths = files.flatMap((file) => [file.path, file.salvage?.path ?? null]).filter((path) => path !== null);
  const lines: string[] = [];
  for (const [folder, [noun, what]] of Object.entries(outputs)) {
    const number = paths.filter((path) => path.startsWith(`${folder}/`)).length;
    const plural =
      noun === 'picture or clip' && number !== 1 ? `${count(number)} pictures or clips` : counted(number, noun);
    if (number > 0) lines.push(`${`${folder}/`.padEnd(10)}${plural}: ${what}`);
  }
  return [...lines, 'report.html, coverage.json, missing.csv'];
}

/** Lines of at most `width` columns; all but the first begin with `hang`. A word longer than a line is cut. */
export function wrapText(text: string, width: number, hang = ''): string[] {
  const words = plainText(text, Number.POSITIVE_INFINITY).split(' ');
  const lines: string[] = [];
  let line = '';
  for (const word of words) {
    const longer = line === '' || line === hang ? line + word : `${line} ${word}`;
    if (textWidth(longer) <= width) {
      line = longer;
      continue;
    }
    if (line.trim() !== '') lines.push(line);
    line = plainText(hang + word, width);
  }
  return [...lines, line];
}
