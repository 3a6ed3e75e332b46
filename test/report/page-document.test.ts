// The page's document: what is packed into a page is what the report says, whatever its size.
import { inflateRawSync } from 'node:zlib';
import fc from 'fast-check';
import { beforeAll, describe, expect, test } from 'vitest';
import { makeDocument } from '../../src/report/make-document.js';
import type { Report } from '../../src/report/model.js';
import { inlineJson, packDocument } from '../../src/report/pack-document.js';
import { coarseStrip, codeStrip, decodeStrip } from '../../src/report/strip-code.js';
import { unpackDocument } from '../../src/web/views/unpack.js';
import { hostileReport } from '../support/hostile-report.js';
import { largeReport, sampleReport } from '../support/sample-report.js';

let report: Report;
beforeAll(async () => {
  report = await sampleReport();
});

const stripOf = (counts: readonly number[]) => {
  return { total: counts.length, runs: counts.map((count, i): [number, number, number] => [i, i, count]) };
};
const countsOf = ({ starts, counts }: ReturnType<typeof decodeStrip>): number[] =>
  [...counts].flatMap((count, i) => new Array<number>(starts[i + 1]! - starts[i]!).fill(count));

describe('a coded strip', () => {
  const times = fc.array(fc.integer({ min: 0, max: 40 }), { minLength: 1, maxLength: 60 });

  test('decodes to the counts it was made of, those above the limit to the limit', () => {
    fc.assert(
      fc.property(times, fc.integer({ min: 1, max: 25 }), (counts, most) => {
        expect(countsOf(decodeStrip(codeStrip(stripOf(counts), most)))).toEqual(
          counts.map((count) => Math.min(count, most)),
        );
      }),
    );
  });

  test('in fewer columns shows for each the lowest count', () => {
    fc.assert(
      fc.property(times, fc.integer({ min: 1, max: 20 }), (counts, columns) => {
        const coarse = coarseStrip(stripOf(counts), columns, 25);
        const told = countsOf(decodeStrip(coarse));
        const group = (at: number): number => Math.floor(at / coarse.grain);
        const lowest = counts.map((_, at) => Math.min(25, ...counts.filter((__, other) => group(other) === group(at))));
        expect(told).toEqual(lowest);
        expect(counts.length / coarse.grain).toBeLessThanOrEqual(columns);
      }),
    );
  });

  test('of runs is short', () => {
    expect(
      codeStrip({
        total: 100_000,
        runs: [
          [0, 99_998, 2],
          [99_999, 99_999, 0],
        ],
      }).code,
    ).toBe('c99999a');
  });
});

describe('the packed document', () => {
  test('unpacks to the document', async () => {
    const packed = packDocument(report, '<p>repeats</p>');
    expect(await unpackDocument(JSON.parse(inlineJson(packed)))).toEqual(
      JSON.parse(JSON.stringify({ ...makeDocument(report), repeats: '<p>repeats</p>' })),
    );
  });

  test.each([0.01, 0.1])('of 1,000 files of 5,000 segments with %f of them lost tells every missing one', (loss) => {
    const large = largeReport(1000, 5000, loss);
    const packed = packDocument(large, null);
    expect(inlineJson(packed).length).toBeLessThan(2_400_000);
    const { strips } = JSON.parse(inflateRawSync(Buffer.from(packed.packed, 'base64')).toString()) as {
      strips: Parameters<typeof decodeStrip>[0][];
    };
    for (const [i, strip] of strips.entries()) {
      const { starts, counts } = decodeStrip(strip);
      let missing = 0;
      counts.forEach((times, run) => {
        if (times === 0) missing += starts[run + 1]! - starts[run]!;
      });
      const { total, received } = large.coverage.files[i]!.segments;
      expect(missing).toBe(total - received);
    }
  });

  test('has nothing in it that could end its element or hide text', () => {
    const text = inlineJson(packDocument(hostileReport(report), null));
    expect(text).not.toMatch(/[<\u2028\u2029\u202a-\u202e\u2066-\u2069\u0000-\u001f]/);
    expect(JSON.parse(text)).toMatchObject({ files: expect.any(Array) });
  });

  test('a path that leaves the folder is no link', () => {
    const { files } = makeDocument(hostileReport(report));
    expect(files[0]!.salvage).toMatchObject({ link: null });
    expect(files[0]!.link).toMatch(/^\.\/files\//);
    expect(files[0]!.link).not.toMatch(/["<>\\ ]/);
  });

  test('a station called like a property of every object is one like any other', () => {
    const [first, ...rest] = report.coverage.files;
    const stations = report.coverage.stations.map((station, i) =>
      i === 0 ? { ...station, name: '__proto__' } : station,
    );
    const coverage = { ...report.coverage, stations, files: [{ ...first!, stations: {} }, ...rest] };
    expect(makeDocument({ ...report, coverage }).files[0]!.held[0]).toBe(0);
  });
});
