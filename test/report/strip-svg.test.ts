// The strip, judged by a renderer from outside the project: sharp (librsvg) draws it and the pixels are looked at.
import sharp from 'sharp';
import { describe, expect, test } from 'vitest';
import type { Strip } from '../../src/coverage/coverage.js';
import { stripPatterns, stripSvg } from '../../src/report/strip-svg.js';
import { seeded } from '../support/sample-report.js';

const style = `<style>path{fill:none;stroke-width:20} .o{stroke:url(#once)} .s{stroke:#00f} .m{stroke:#f00;stroke-width:5}
  .hatch{stroke:#f00;stroke-width:2.5} stop.paper{stop-color:#fff} stop.once{stop-color:#0ff}</style>`;

async function draw(strip: Strip, maxLength = 100_000) {
  const svg = stripSvg(strip, 'segment', maxLength).markup.replace(
    '<svg ',
    `<svg xmlns="http://www.w3.org/2000/svg" width="1000" height="26" `,
  );
  const defs = /<defs>.*<\/defs>/s.exec(stripPatterns.markup)![0];
  const { data } = await sharp(Buffer.from(svg.replace('>', `>${style}${defs}`)))
    .flatten({ background: '#fff' })
    .removeAlpha()
    .raw()
    .toBuffer({ resolveWithObject: true });
  return (x: number, y: number) =>
    [...data.subarray((y * 1000 + x) * 3, (y * 1000 + x) * 3 + 3)].map((value) => Math.round(value / 255)).join('');
}

const [white, blue, cyan, red] = ['111', '001', '011', '100'];

describe('a coverage strip', () => {
  test('is tall for several, low for once, and hatched with a mark below for missing', async () => {
    const pixel = await draw({
      id: '7',
      total: 100,
      runs: [
        [0, 39, 3],
        [40, 69, 1],
        [70, 99, 0],
      ],
    });
    for (const x of [5, 200, 395]) expect([pixel(x, 2), pixel(x, 15), pixel(x, 23)]).toEqual([blue, blue, white]);
    for (const x of [405, 550, 695]) expect([pixel(x, 2), pixel(x, 15), pixel(x, 23)]).toEqual([white, cyan, white]);
    for (const x of [705, 850, 995]) expect(pixel(x, 23)).toBe(red);
    const hatched = Array.from({ length: 280 }, (_, index) => pixel(710 + index, 10));
    expect(hatched.filter((colour) => colour === white).length).toBeGreaterThan(50);
    expect(hatched.filter((colour) => colour !== white).length).toBeGreaterThan(50);
  });

  test('one missing segment in a million is marked', async () => {
    const pixel = await draw({
      id: '7',
      total: 1_000_000,
      runs: [
        [0, 499_999, 2],
        [500_000, 500_000, 0],
        [500_001, 999_999, 2],
      ],
    });
    expect(pixel(500, 23)).toBe(red);
    expect([pixel(498, 23), pixel(502, 23)]).toEqual([white, white]);
    expect([pixel(498, 10), pixel(502, 10)]).toEqual([blue, blue]);
  });

  test.each([3, 999, 1000, 1001, 5000, 66_666])(
    'each column of a strip of %i segments shows the worst of its segments',
    (total) => {
      const random = seeded(total);
      const times = Array.from({ length: total }, () => (random() < 0.002 ? 0 : random() < 0.01 ? 1 : 2));
      const runs = times.map((count, index): [number, number, number] => [index, index, count]);
      const markup = stripSvg({ id: '7', total, runs }, 'segment', 1e9).markup;
      const columns = Math.min(total, 1000);
      const worst = new Array<number>(columns).fill(2);
      for (const [index, count] of times.entries()) {
        const column = Math.floor((index * columns) / total);
        worst[column] = Math.min(worst[column]!, count);
      }
      const drawn = new Array<number>(columns).fill(-1);
      for (const [name, level] of [
        ['m', 0],
        ['o', 1],
        ['s', 2],
      ] as const) {
        const path = new RegExp(`<path class="${name}" d="([^"]*)"`).exec(markup)?.[1] ?? '';
        let x = 0;
        for (const [, command, amount] of path.matchAll(/([Mmh])(\d+)/g)) {
          if (command === 'h') drawn.fill(level, x, x + Number(amount));
          x = command === 'M' ? Number(amount) : x + Number(amount);
        }
      }
      expect(drawn).toEqual(worst);
    },
  );

  test('keeps to the length it may take', () => {
    const runs = Array.from({ length: 5000 }, (_, index): [number, number, number] => [
      index,
      index,
      index % 7 === 0 ? 0 : index % 3,
    ]);
    const full = stripSvg({ id: '7', total: 5000, runs }, 'segment', 1e9).markup;
    const short = stripSvg({ id: '7', total: 5000, runs }, 'segment', 1200).markup;
    expect(full).toContain('viewBox="0 0 1000 26"');
    expect(short.length).toBeLessThan(1600);
  });

  test('says in words what it shows', () => {
    const strip: Strip = {
      id: '7',
      total: 1066,
      runs: [
        [0, 899, 4],
        [900, 1003, 1],
        [1004, 1065, 0],
      ],
    };
    expect(stripSvg(strip, 'segment', 9999).markup).toContain(
      'aria-label="1,066 segments: 900 segments received several times, 104 segments once, 62 segments missing"',
    );
  });
});
