// report.html: the whole report as one page that needs no network and no other file: the views' program with its document inlined.
// Nothing but that program and that style can run there (Content Security Policy Level 3, hashes); what came down or was handed in
// stands in the document as data. Without JavaScript the page tells the same in tables.
import { createHash } from 'node:crypto';
import { htmlRepeats } from './html-repeats.js';
import { htmlStatic } from './html-static.js';
import { html, trustedHtml } from './html-text.js';
import type { Report } from './model.js';
import { inlineJson, packDocument } from './pack-document.js';
import { pageProgram } from './page-program.js';
import { pageStyle } from './page-style.js';
import { plotStyle } from './plot-frame.js';

const style = pageStyle + plotStyle;

/** The text of report.html. Whatever came down or was handed in is escaped, and invisible characters in it are spelled out. */
export function reportHtml(report: Report): string {
  const program = pageProgram();
  const repeats = report.repeats ? htmlRepeats(report.repeats) : null;
  const document = packDocument(report, repeats?.markup ?? null);
  return html`<!doctype html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta http-equiv="Content-Security-Policy" content="${trustedHtml(contentPolicy(program))}">
<meta name="viewport" content="width=device-width, initial-scale=1">
<title>${report.coverage.mission}: coverage</title>
<style>${trustedHtml(style)}</style>
</head>
<body>
<div id="page"></div>
<noscript>${htmlStatic(report)}${repeats && html`<section><h2>Repeats per rotation</h2>${repeats}</section>`}</noscript>
<script type="application/json" id="document">${trustedHtml(inlineJson(document))}</script>
<script type="module">${trustedHtml(program)}</script>
</body>
</html>
`.markup;
}

/** Pictures and clips come from beside the page alone; a page from disk has no origin, so that they are named by their scheme, too. */
function contentPolicy(program: string): string {
  const hash = (text: string): string => `'sha256-${createHash('sha256').update(text).digest('base64')}'`;
  return [
    "default-src 'none'",
    `script-src ${hash(program)}`,
    `style-src ${hash(style)}`,
    "img-src 'self' file: data:",
    "media-src 'self' file:",
    "base-uri 'none'",
    "form-action 'none'",
  ].join('; ');
}
