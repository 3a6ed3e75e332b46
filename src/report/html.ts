// report.html: the whole report as one page that needs no network and no other file: the views' program with its document inlined.
// Nothing but that program and that style can run there (Content Security Policy Level 3, hashes); what came down or was handed in
// stands in the document as data. Without JavaScript the page tells the same in tables.
import { createHash } from 'node:crypto';
import { htmlRepeats } from './html-repeats.js';
import { htmlStatic } from './html-static.js';
import { type Html, html, trustedHtml } from './html-text.js';
import type { Report } from './model.js';
import { inlineJson, packDocument } from './pack-document.js';
import type { LiveState, PackedDocument } from './page-document.js';
import { pageProgram } from './page-program.js';
import { pageStyle } from './page-style.js';
import { plotStyle } from './plot-frame.js';

const style = pageStyle + plotStyle;

/** Of the line that says how things stand, above the page. */
const liveStyle = `
.live { display: flex; flex-wrap: wrap; gap: .1rem .9rem; max-width: none; margin: .6rem 0 -.9rem; font-size: .9em; color: var(--dim); }
.live b { color: var(--ink); }
@media print { .live { display: none; } }
`;

/** The text of report.html. Whatever came down or was handed in is escaped, and invisible characters in it are spelled out. */
export function reportHtml(report: Report): string {
  const document = packDocument(report, repeatsMarkup(report)?.markup ?? null);
  const program = pageProgram('report-page');
  return page(report, document, program, contentPolicy(program, style)).markup;
}

/** The estimate of repeats as the page shows it; `null` where nothing was estimated. */
export function repeatsMarkup({ repeats }: Report): Html | null {
  return repeats ? htmlRepeats(repeats) : null;
}

/**
 * The text of the page that is fed, with its first document and state in it.
 *
 * @returns its Content-Security-Policy, too: it stands in the page and belongs in the header
 */
export function livePage(
  report: Report,
  document: PackedDocument,
  state: LiveState,
): { readonly text: string; readonly policy: string } {
  const program = pageProgram('live-page');
  const policy = `${contentPolicy(program, style + liveStyle)}; connect-src 'self'`;
  return { text: page(report, { document, state }, program, policy, liveStyle).markup, policy };
}

function page(report: Report, data: unknown, program: string, policy: string, more = ''): Html {
  const repeats = repeatsMarkup(report);
  return html`<!doctype html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta http-equiv="Content-Security-Policy" content="${trustedHtml(policy)}">
<meta name="viewport" content="width=device-width, initial-scale=1">
<title>${report.coverage.mission}: coverage</title>
<style>${trustedHtml(style + more)}</style>
</head>
<body>
<div id="page"></div>
<noscript>${htmlStatic(report)}${repeats && html`<section><h2>Repeats per rotation</h2>${repeats}</section>`}</noscript>
<script type="application/json" id="document">${trustedHtml(inlineJson(data))}</script>
<script type="module">${trustedHtml(program)}</script>
</body>
</html>
`;
}

/** Pictures and clips come from beside the page alone; a page from disk has no origin, so that they are named by their scheme, too. */
function contentPolicy(program: string, styles: string): string {
  const hash = (text: string): string => `'sha256-${createHash('sha256').update(text).digest('base64')}'`;
  return [
    "default-src 'none'",
    `script-src ${hash(program)}`,
    `style-src ${hash(styles)}`,
    "img-src 'self' file: data:",
    "media-src 'self' file:",
    "base-uri 'none'",
    "form-action 'none'",
  ].join('; ');
}
