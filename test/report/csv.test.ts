import { describe, expect, test } from 'vitest';
import type { MissingRange } from '../../src/coverage/coverage.js';
import { missingCsv } from '../../src/report/csv.js';
import type { Report } from '../../src/report/model.js';
import { hostileReport, hostileText } from '../support/hostile-report.js';
import { largeReport, sampleReport } from '../support/sample-report.js';

/** The grammar of RFC 4180, section 2, read record by record; throws where the text leaves it. */
function readCsv(text: string): string[][] {
  const records: string[][] = [];
  const field = /(?:"((?:[^"]|"")*)"|([^",\r\n]*))(,|\r\n)/y;
  let record: string[] = [];
  while (field.lastIndex < text.length) {
    const at = field.lastIndex;
    const match = field.exec(text);
    if (match === null) throw new Error(`not a field at ${at}`);
    record.push(match[1] === undefined ? match[2]! : match[1].replaceAll('""', '"'));
    if (match[3] === ',') continue;
    records.push(record);
    record = [];
  }
  return records;
}

function withName(report: Report, name: string): Report {
  const range: MissingRange = { id: '11', name, first: 3, last: 5, lastSent: null };
  return { ...report, missing: [range] };
}

describe('missing.csv', () => {
  test('has the header and a row for each missing range', async () => {
    const report = await sampleReport();
    const [header, ...rows] = readCsv(missingCsv(report));
    expect(header?.join()).toBe('file,name,first,last,count,unit,last_sent_run,last_sent_counter');
    expect(rows).toEqual(
      report.missing.map(({ id, name, first, last, lastSent }) => [
        id,
        name,
        `${first}`,
        `${last}`,
        `${last - first + 1}`,
        'segment',
        `${lastSent!.run}`,
        `${lastSent!.counter}`,
      ]),
    );
  });

  test('counts bytes where a file is named by offset, and leaves the last sending empty where nobody heard of it', async () => {
    const report = await sampleReport();
    const files = report.coverage.files.map((file) => ({
      ...file,
      segments: { ...file.segments, unit: 'byte' as const },
    }));
    const text = missingCsv(withName({ ...report, coverage: { ...report.coverage, files } }, 'a.bin'));
    expect(readCsv(text)[1]).toEqual(['11', 'a.bin', '3', '5', '3', 'byte', '', '']);
  });

  // Formula signs: common practice. A sign behind blanks or a control character is also taken for one by some programs.
  test.each(['=1+1', '+1', '-1', '@SUM(1)', '\t=1', '\r=1', '\n=1', ' =1', '＝1', '=cmd|" /C x"!A1'])(
    'the name %j cannot start a formula',
    async (name) => {
      const cell = readCsv(missingCsv(withName(await sampleReport(), name)))[1]![1];
      expect(cell).toBe(`'${name}`);
    },
  );

  test.each(['limb,0007.jpg', 'say "cheese".jpg', 'two\r\nlines', "it's.jpg", 'a=b', 'limb-0007.jpg'])(
    'the name %j comes back as it was',
    async (name) => {
      expect(readCsv(missingCsv(withName(await sampleReport(), name)))[1]![1]).toBe(name);
    },
  );

  test('a hostile name stays in its cell', async () => {
    const rows = readCsv(missingCsv(hostileReport(await sampleReport())));
    expect(new Set(rows.map((row) => row.length))).toEqual(new Set([8]));
    const first = (await sampleReport()).missing.length;
    expect(rows).toHaveLength(first + 1);
    expect(rows[1]![1]).toBe(hostileText);
  });

  test('a whole campaign without losses has the header alone', () => {
    expect(missingCsv(largeReport(3, 10, 0))).toBe(
      'file,name,first,last,count,unit,last_sent_run,last_sent_counter\r\n',
    );
  });
});
