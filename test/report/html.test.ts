import { createHash } from 'node:crypto';
import { beforeAll, describe, expect, test } from 'vitest';
import { reportHtml } from '../../src/report/html.js';
import { html, trustedHtml } from '../../src/report/html-text.js';
import type { Report } from '../../src/report/model.js';
import { hostileReport } from '../support/hostile-report.js';
import { largeReport, sampleReport } from '../support/sample-report.js';

let report: Report;
beforeAll(async () => {
  report = await sampleReport();
});

describe('the html template', () => {
  test('escapes values in content and in attributes, and only values', () => {
    expect(html`<p title="${`"'`}">${'<b>&</b>'}</p>`.markup).toBe(
      '<p title="&quot;&#39;">&lt;b&gt;&amp;&lt;/b&gt;</p>',
    );
  });

  test('joins lists, leaves markup of its own as it is and null out', () => {
    expect(html`${['<', html`<i>${1}</i>`, null, trustedHtml('<hr>')]}`.markup).toBe('&lt;<i>1</i><hr>');
  });

  test('an object that only looks like markup is text', () => {
    const fake = JSON.parse('{"markup":"<script>"}') as never;
    expect(() => html`${fake}`.markup).toThrow();
  });

  test('spells out what shows nothing or turns the direction', () => {
    expect(html`${'a\u202eb\u0000\u001b[m\u2028\u{e0041}\ud800'}`.markup).toBe(
      'a⟨U+202E⟩b⟨U+0000⟩⟨U+001B⟩[m⟨U+2028⟩⟨U+E0041⟩\ufffd',
    );
    expect(html`${'tab\tline\nनमस्ते क्‍ष'}`.markup).toBe('tab\tline\nनमस्ते क्‍ष');
  });
});

describe('the report page', () => {
  test('lets nothing run but its program, and names no address outside itself', () => {
    const page = reportHtml(report);
    const policy = /<meta http-equiv="Content-Security-Policy" content="([^"]*)">/.exec(page)![1]!;
    const [, program] = /<script type="module">([\s\S]*?)<\/script>/.exec(page)!;
    const [, style] = /<style>([\s\S]*?)<\/style>/.exec(page)!;
    const hash = (text: string) => createHash('sha256').update(text).digest('base64');
    expect(policy).toContain("default-src 'none'");
    expect(policy).toContain(`script-src 'sha256-${hash(program!)}'`);
    expect(policy).toContain(`style-src 'sha256-${hash(style!)}'`);
    expect(policy).not.toMatch(/unsafe|https?:|\*/);
    expect(page).not.toMatch(/<link|<iframe|@import|<script[^>]* src|<[^>]*\son\w+=/i);
    expect(page.match(/<script/g)).toHaveLength(2);
    for (const [, target] of page.matchAll(/(?:src|href)="([^"]*)"/g)) expect(target).toMatch(/^(data:image\/|#|\.\/)/);
  });

  test('no hostile text becomes markup', () => {
    const page = reportHtml(hostileReport(report)).replace(/<script type="module">[\s\S]*?<\/script>/, '');
    expect(page.match(/<\/script/gi)).toHaveLength(1);
    expect(page).not.toMatch(/<img/i);
    expect(page).not.toMatch(/[\u202a-\u202e\u2066-\u2069\u0000\u0007\u001b]/);
  });

  test.each([0.001, 0.5])('1,000 files of 5,000 segments with %f of them lost make a page under 3 MB', (loss) => {
    expect(Buffer.byteLength(reportHtml(largeReport(1000, 5000, loss)))).toBeLessThan(3_000_000);
  });

  test('an empty campaign makes a page that says so', () => {
    const empty = largeReport(0, 0, 0);
    const page = reportHtml({ ...empty, coverage: { ...empty.coverage, stations: [], recordings: [], notes: [] } });
    expect(page).toContain('No file is known yet.');
  });
});
