import { beforeAll, describe, expect, test } from 'vitest';
import type { Report } from '../../src/report/model.js';
import { textWidth } from '../../src/report/plain-text.js';
import { terminalSummary } from '../../src/report/terminal.js';
import { hostileReport } from '../support/hostile-report.js';
import { largeReport, sampleReport } from '../support/sample-report.js';

let report: Report;
beforeAll(async () => {
  report = await sampleReport();
});

const colourCodes = /\x1b\[\d+m/g;

describe('the report on a terminal', () => {
  test('begins with what is whole and what is missing, in words', () => {
    const lines = terminalSummary(report).split('\n');
    expect(lines[0]).toBe('Dotterel: coverage');
    expect(lines[1]).toBe('Of 8 files, 3 are whole, 1 is unproven, 3 are partial and 1 is disputed.');
    expect(lines[2]).toMatch(/^Missing: 71 of 7,627 segments, in 3 files; 99\.0\u00a0% arrived\.$/);
  });

  test.each([32, 50, 60, 72, 80, 100, 132, 200])(
    'no line is wider than %i columns, and the widest one fills them',
    (width) => {
      for (const each of [report, largeReport(40, 20, 0.3)]) {
        const widths = terminalSummary(each, { width }).split('\n').map(textWidth);
        expect(Math.max(...widths)).toBe(width);
      }
    },
  );

  test('has a line for each file with state, share and name, those that need a look first', () => {
    const lines = terminalSummary(report, { width: 100 }).split('\n');
    const rows = lines.filter((line) => /^(whole|unproven|partial|disputed) /.test(line));
    expect(rows.map((row) => row.split(' ')[0])).toEqual([
      'disputed',
      ...['partial', 'partial', 'partial'],
      'unproven',
      ...['whole', 'whole', 'whole'],
    ]);
    expect(rows[1]).toMatch(/^partial +656\u00a0kB +632\/667 +94\.7\u00a0% +35 in 33 ranges +11 +limb-0011\.jpg$/);
  });

  test('has a line for each station with what it alone holds', () => {
    const { intact, damaged, lost } = report.coverage.stations[1]!.frames;
    const line = terminalSummary(report)
      .split('\n')
      .find((text) => text.endsWith(' highfell'));
    const numbers = [2, intact, damaged, lost, report.coverage.stations[1]!.segments.received, 152];
    expect(line?.trim().split(/ +/)).toEqual([...numbers.map((number) => number.toLocaleString('en')), 'highfell']);
  });

  test('says where the files are and repeats the notes', () => {
    const text = terminalSummary(report, { width: 200 });
    expect(text).toContain('files/    4 complete files:');
    expect(text).toContain('partial/  4 incomplete files:');
    expect(text).toContain('salvage/  3 pictures or clips:');
    for (const note of report.coverage.notes) expect(text).toContain(note);
  });

  test('colour adds nothing but colour', () => {
    const coloured = terminalSummary(report, { colour: true });
    expect(coloured).toMatch(colourCodes);
    expect(coloured.replaceAll(colourCodes, '')).toBe(terminalSummary(report));
    expect(terminalSummary(report)).not.toContain('\x1b');
  });

  test('of 1,000 files it lists the incomplete ones first and counts the rest', () => {
    const large = largeReport(1000, 50, 0.1);
    const lines = terminalSummary(large).split('\n');
    const rows = lines.filter((line) => /^(whole|partial) /.test(line));
    expect(rows).toHaveLength(25);
    expect(rows.every((row) => row.startsWith('partial'))).toBe(true);
    const { whole, partial } = large.coverage.totals.files;
    expect(lines).toContain(`… and 975 more (${partial - 25} partial, ${whole} whole), all in report.html`);
    expect(lines.length).toBeLessThan(60);
  });

  test('hostile names cannot send anything to the terminal', () => {
    for (const width of [40, 80, 300]) {
      const text = terminalSummary(hostileReport(report), { width });
      expect(text.replaceAll('\n', '')).not.toMatch(/[\p{Cc}\p{Cf}]/u);
      expect(Math.max(...text.split('\n').map(textWidth))).toBeLessThanOrEqual(width);
    }
  });

  test('names in wide characters keep the columns straight', () => {
    const files = report.coverage.files.map((file) => ({ ...file, name: `夜光雲-${file.name}`.repeat(9) }));
    const lines = terminalSummary({ ...report, coverage: { ...report.coverage, files } }).split('\n');
    const rows = lines.filter((line) => line.includes('夜'));
    expect(rows).toHaveLength(8);
    for (const row of rows) {
      expect(row.endsWith('…')).toBe(true);
      expect([79, 80]).toContain(textWidth(row)); // a wide character may not fit into the last column
    }
  });

  test('an empty campaign says so', () => {
    const empty = largeReport(0, 0, 0);
    const nothing = { ...empty, coverage: { ...empty.coverage, stations: [], recordings: [], notes: [] } };
    expect(terminalSummary(nothing)).toMatch(/^Dotterel: coverage\nNo file is known yet\.\n/);
  });
});
