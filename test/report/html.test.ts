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
  test('holds the policy, no script, and no address outside itself', () => {
    const page = reportHtml(report);
    expect(page).toContain(`content="default-src 'none'; img-src data:; style-src 'unsafe-inline'`);
    expect(page).not.toMatch(/<script|<link|<iframe|@import|https?:|\son\w+=/i);
    for (const [, target] of page.matchAll(/(?:src|href)="([^"]*)"/g)) expect(target).toMatch(/^(data:image\/|#|\.\/)/);
  });

  test('no hostile text becomes markup', () => {
    const page = reportHtml(hostileReport(report));
    expect(page).not.toMatch(/<script|<\/script|<img src=x/i);
    expect(page).not.toMatch(/[\u202a-\u202e\u2066-\u2069\u0000\u0007\u001b]/);
    const tags = (text: string) => [...text.matchAll(/<([a-z][a-z0-9]*)/gi)].map((match) => match[1]).sort();
    const extra = tags(page).filter((tag, index, all) => all.indexOf(tag) === index);
    expect(extra).toEqual([...new Set(tags(reportHtml(report)))].sort());
  });

  test('a path that leaves the folder is not a link', () => {
    expect(reportHtml(hostileReport(report))).not.toMatch(/href="[^"]*\.\.\//);
  });

  test('says what each state means and shows no state by colour alone', () => {
    const page = reportHtml(report);
    for (const state of ['whole', 'unproven', 'partial', 'disputed']) {
      expect(page).toMatch(new RegExp(`<dt><span class="state ${state}">.*?</span> ${state}</span></dt> <dd>`));
    }
  });

  test.each([0.001, 0.01, 0.1, 0.5])(
    '1,000 files of 5,000 segments with %f of them lost make a page under 3 MB',
    (loss) => {
      const page = reportHtml(largeReport(1000, 5000, loss));
      expect(Buffer.byteLength(page)).toBeLessThan(3_000_000);
      expect(page.match(/<article/g)).toHaveLength(1000);
    },
  );

  test('what is left out of long lists is counted and its place named', () => {
    const large = largeReport(1000, 5000, 0.01);
    const page = reportHtml(large);
    expect(page).toContain(`${(large.missing.length - 1000).toLocaleString('en')} more ranges in missing.csv.`);
    const longest = large.coverage.files.find((file) => file.segments.missing.length > 40)!;
    expect(page).toContain(`and ${longest.segments.missing.length - 30} more ranges, all in missing.csv`);
  });

  test('files named by offset count bytes', () => {
    const files = report.coverage.files.map((file) => ({
      ...file,
      segments: { ...file.segments, unit: 'byte' as const },
    }));
    const page = reportHtml({ ...report, coverage: { ...report.coverage, files } });
    expect(page).toContain('35 bytes missing in 33 ranges');
    expect(page).toContain('<td class="n">1 byte</td>');
  });

  test('an empty campaign makes a page that says so', () => {
    const empty = largeReport(0, 0, 0);
    const page = reportHtml({ ...empty, coverage: { ...empty.coverage, stations: [], recordings: [], notes: [] } });
    for (const words of ['No file is known yet.', 'No station has handed in', 'No recording', 'Nothing to note.']) {
      expect(page).toContain(words);
    }
  });
});
