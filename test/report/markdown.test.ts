// The report in Markdown. What it must not become is judged by the grammar: CommonMark 0.31, and GitHub's specification for tables.
import { beforeAll, describe, expect, test } from 'vitest';
import { markdownReport } from '../../src/report/markdown.js';
import type { Report } from '../../src/report/model.js';
import { hostileReport } from '../support/hostile-report.js';
import { largeReport, sampleReport } from '../support/sample-report.js';

let report: Report;
beforeAll(async () => {
  report = await sampleReport();
});

const rename = (name: string): Report => {
  const [first, ...rest] = report.coverage.files;
  return { ...report, coverage: { ...report.coverage, files: [{ ...first!, name }, ...rest] } };
};
const rows = (text: string): string[] => text.split('\n').filter((line) => line.startsWith('|'));

describe('the report in Markdown', () => {
  test('has words first, then a row for each file and each station', () => {
    const text = markdownReport(report);
    expect(text.split('\n').slice(0, 3)).toEqual([
      '## Dotterel: coverage',
      '',
      'Of 8 files, 3 are whole, 1 is unproven, 3 are partial and 1 is disputed.',
    ]);
    expect(rows(text)).toHaveLength(2 + report.coverage.files.length + 2 + report.coverage.stations.length);
    expect(text).toContain(
      '| partial | `limb-0011.jpg` | 11 | 656\u00a0kB | 632 of 667 | 94.7\u00a0% | 35 segments in 33 ranges |',
    );
  });

  test('all rows of a table have as many cells as its head, whatever the names', () => {
    for (const each of [report, hostileReport(report), rename('a|b|c'), rename('`|``')]) {
      const cells = rows(markdownReport(each)).map((row) => row.split(/(?<!\\)\|/).length);
      expect(new Set(cells)).toEqual(new Set([9]));
    }
  });

  test('a name is a code span that nothing in it can end', () => {
    expect(markdownReport(rename('a`b'))).toContain('| ``a`b`` |');
    expect(markdownReport(rename('``'))).toContain('| ``` `` ``` |');
    expect(markdownReport(rename('<b>@team https://example.org</b>'))).toContain(
      '| `<b>@team https://example.org</b>` |',
    );
  });

  test('a note cannot become a heading, a list, a link, a mention or markup', () => {
    const notes = [
      '# x',
      '- x',
      '1. x',
      '[x](y)',
      '<b>',
      '@team',
      'https://example.org',
      'www.example.org',
      '*x* _y_ ~z~',
    ];
    const text = markdownReport({ ...report, coverage: { ...report.coverage, notes } });
    for (const line of [
      '- \\# x',
      '- \\- x',
      '- 1\\. x',
      '- \\[x\\]\\(y\\)',
      '- \\<b\\>',
      '- \\@team',
      '- https\\://example.org',
      '- www\\.example.org',
      '- \\*x\\* \\_y\\_ \\~z\\~',
    ]) {
      expect(text.split('\n')).toContain(line);
    }
  });

  test('no control or invisible character passes', () => {
    expect(markdownReport(hostileReport(report)).replaceAll('\n', '')).not.toMatch(/[\p{Cc}\p{Cf}]/u);
  });

  test('of many files counts the rest', () => {
    expect(markdownReport(largeReport(1000, 5, 0.1))).toContain('800 more files in report.html.');
  });
});
