// report.html: the whole report as one page that needs no network, no script and no other file.

import { htmlFiles } from './html-files.js';
import { htmlMissing } from './html-missing.js';
import { htmlRecordings } from './html-recordings.js';
import { htmlStations } from './html-stations.js';
import { type Html, html, trustedHtml } from './html-text.js';
import type { Report } from './model.js';
import { pageStyle } from './page-style.js';
import { count, sizeText } from './quantity.js';
import { stripPatterns } from './strip-svg.js';
import { summaryWords } from './summary-words.js';

const contentPolicy =
  "default-src 'none'; img-src data:; style-src 'unsafe-inline'; base-uri 'none'; form-action 'none'";

/** The text of report.html. Whatever came down or was handed in is escaped, and invisible characters in it are spelled out. */
export function reportHtml(report: Report): string {
  const { coverage } = report;
  const title = `${coverage.mission}: coverage`;
  const sections = [
    ['summary', 'Summary', summary(report)],
    ['files', 'Files', htmlFiles(report)],
    ['stations', 'Stations', htmlStations(report)],
    ['missing', 'Missing', htmlMissing(report)],
    ['recordings', 'Recordings', htmlRecordings(report)],
    ['notes', 'Notes', notes(coverage.notes)],
  ] as const;
  return html`<!doctype html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta http-equiv="Content-Security-Policy" content="${trustedHtml(contentPolicy)}">
<meta name="viewport" content="width=device-width, initial-scale=1">
<title>${title}</title>
<style>${trustedHtml(pageStyle)}</style>
</head>
<body>
${stripPatterns}
<header><h1>${title}</h1>
<nav aria-label="Sections"><ul>${sections.map(([id, name]) => html`<li><a href="#${id}">${name}</a></li>`)}</ul></nav></header>
<main>
${sections.map(([id, name, content]) => html`<section id="${id}"><h2>${name}</h2>\n${content}</section>\n`)}</main>
<footer><p>Made by ${report.madeBy}. What no station received is shown as missing; nothing in its place is invented.</p></footer>
</body>
</html>
`.markup;
}

function summary(report: Report): Html {
  const { files, segments, bytes, frames, transmissions } = report.coverage.totals;
  const [lead, ...words] = summaryWords(report);
  const figures = [
    ['Segments received', `${count(segments.received)} of ${count(segments.total)}`],
    ['Whole files', `${count(files.whole)}, ${sizeText(bytes.whole)}`],
    ['Frames intact', `${count(frames.intact)} of ${count(frames.read)}`],
    ['Transmissions heard', count(transmissions.received)],
    ['… also elsewhere', count(transmissions.acrossStations)],
    ['… as repeats', count(transmissions.acrossRepeats)],
  ] as const;
  return html`<p class="lead">${lead ?? ''}</p>
${words.map((sentence) => html`<p>${sentence}</p>\n`)}<dl class="figures">${figures.map(([name, value]) => html`<div><dt>${name}</dt><dd>${value}</dd></div>`)}</dl>`;
}

function notes(lines: readonly string[]): Html {
  if (lines.length === 0) return html`<p>Nothing to note.</p>`;
  return html`<ul>${lines.map((line) => html`<li>${line}</li>\n`)}</ul>`;
}
