// The report in Markdown (CommonMark, tables as GitHub's extension of it has them), to paste into a logbook: readable as it stands, too.
import type { FileCoverage } from '../coverage/coverage.js';
import { filesByNeed } from './file-state.js';
import type { Report } from './model.js';
import { plainText } from './plain-text.js';
import { count, counted, perCent, rangesTotal, sizeText } from './quantity.js';
import { summaryWords } from './summary-words.js';

/** Files and notes listed; the rest is counted. */
const FILES_SHOWN = 200;
const NOTES_SHOWN = 50;

/** The report as Markdown. Names and notes stay text: nothing in them becomes markup, a link or a mention. */
export function markdownReport(report: Report): string {
  const { coverage, madeBy } = report;
  const files = filesByNeed(coverage.files);
  const lines = [
    `## ${escaped(coverage.mission)}: coverage`,
    '',
    ...summaryWords(report).flatMap((words) => [escaped(words), '']),
  ];
  if (files.length > 0) {
    lines.push(
      ...table(
        ['state', 'name', 'file', 'size', 'segments', 'received', 'missing'],
        '--rrrrr',
        files
          .slice(0, FILES_SHOWN)
          .map((file) => [
            file.state,
            code(file.name),
            file.id,
            sizeText(file.bytes),
            `${count(file.segments.received)} of ${count(file.segments.total)}`,
            perCent(file.segments.received, file.segments.total),
            missingText(file),
          ]),
      ),
    );
    if (files.length > FILES_SHOWN)
      lines.push(`${counted(files.length - FILES_SHOWN, 'more file')} in report.html.`, '');
  }
  if (coverage.stations.length > 0) {
    lines.push(
      '### Stations',
      '',
      ...table(
        ['station', 'recordings', 'intact', 'damaged', 'lost', 'segments', 'only here'],
        '-rrrrrr',
        coverage.stations.map(({ name, recordings, frames, segments }) => [
          code(name),
          ...[recordings, frames.intact, frames.damaged, frames.lost, segments.received, segments.onlyHere].map(count),
        ]),
      ),
    );
  }
  if (coverage.notes.length > 0) {
    const rest = coverage.notes.length - NOTES_SHOWN;
    lines.push('### Notes', '', ...coverage.notes.slice(0, NOTES_SHOWN).map((note) => `- ${escaped(note)}`));
    if (rest > 0) lines.push(`- … and ${counted(rest, 'more note')} in report.html`);
    lines.push('');
  }
  return `${lines.join('\n')}\n*Made by ${escaped(madeBy)}. What no station received is shown as missing.*\n`;
}

function missingText({ segments }: FileCoverage): string {
  if (segments.missing.length === 0) return segments.received < segments.total ? 'unknown' : 'none';
  return `${counted(rangesTotal(segments.missing), segments.unit)} in ${counted(segments.missing.length, 'range')}`;
}

/** @param align one character a column, `r` = to the right */
function table(titles: readonly string[], align: string, rows: readonly (readonly string[])[]): string[] {
  const row = (cells: readonly string[]): string => `| ${cells.join(' | ')} |`;
  return [row(titles), row([...align].map((side) => (side === 'r' ? '--:' : '---'))), ...rows.map(row), ''];
}

/** A code span: nothing in it is markup. Its fence is longer than any row of backticks in it (CommonMark, 6.1). */
function code(name: string): string {
  const text = plainText(name, Number.POSITIVE_INFINITY).replaceAll('|', '\\|');
  const longest = Math.max(0, ...[...text.matchAll(/`+/g)].map(([ticks]) => ticks.length));
  const fence = '`'.repeat(longest + 1);
  const pad = /^`|`$/.test(text) || text.trim() === '' ? ' ' : '';
  return text === '' ? '–' : `${fence}${pad}${text}${pad}${fence}`;
}

/** A sentence in which every character that may begin markup is escaped (CommonMark, 2.4), addresses and mentions, too. */
function escaped(text: string): string {
  return plainText(text, Number.POSITIVE_INFINITY)
    .replace(/[\\`*_{}[\]<>()#|~&@!$]|:(?=\S)/g, '\\$&')
    .replace(/\bwww\./gi, 'www\\.')
    .replace(/^(\d+)([.)])/, '$1\\$2')
    .replace(/^[-+=]/, '\\$&');
}
