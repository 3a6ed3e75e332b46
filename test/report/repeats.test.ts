// The estimate as words, tables and plots: for the terminal and for the page, in a real browser, hostile names among them.
import { mkdtempSync, rmSync, writeFileSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { pathToFileURL } from 'node:url';
import type { Browser } from 'playwright-core';
import { afterAll, beforeAll, describe, expect, test } from 'vitest';
import { type Estimate, estimateRepeats } from '../../src/planning/estimate-repeats.js';
import { QUICK_EFFORT } from '../../src/planning/repeats.js';
import { rankMissing } from '../../src/planning/send-next.js';
import { htmlRepeats } from '../../src/report/html-repeats.js';
import { pageStyle } from '../../src/report/page-style.js';
import { textWidth } from '../../src/report/plain-text.js';
import { bandPath, linePath, plotStyle, wholeTicks } from '../../src/report/plot-frame.js';
import { percentText, repeatsAnswer } from '../../src/report/repeats-words.js';
import { terminalRepeats } from '../../src/report/terminal-repeats.js';
import { listening, plainLink, plainTruth, rehearsePass } from '../planning/receptions.js';
import { launchBrowser } from '../support/browser.js';

const HOSTILE = '</script><img src=x onerror=alert(1)>"\u202e\u001b[2J';

function sample(changes: { names?: string[]; segments?: number; seconds?: number; rotation?: boolean } = {}): Estimate {
  const { names = ['saltmarsh', 'highfell'], segments = 60, seconds = 480, rotation = true } = changes;
  const truth = plainTruth({ seconds, links: [plainLink(), plainLink({ phase: 0.06 })] });
  const stations = rotation
    ? listening(rehearsePass(truth, 1), names).map((station, i) => ({
        ...station,
        clocks: [{ transmission: 9, milliseconds: 1e12 + i * 41_000 }],
      }))
    : [{ name: names[0]!, received: [0, 400, 410, 900], listened: [0, 900] }];
  const files = [
    { id: '1', segments: segments - 20 },
    { id: '2', segments: 20 },
  ];
  const base = estimateRepeats({ stations, files, target: 0.99, frameSeconds: 0.1, missing: 5, effort: QUICK_EFFORT });
  const missing = [
    { id: '1', name: names[0]!, kind: 'picture', amount: 9e5, unit: 'pixel', segments: 40, missing: [[3, 7]] },
  ] as const;
  return {
    ...base,
    mission: 'Dotterel',
    names: { 1: names[0]! },
    sendNext: { files: rankMissing(missing), repeats: null, schedule: null },
  };
}

describe('in words', () => {
  test('the answer names the count, its interval, and whether it fits', () => {
    const [first, second] = repeatsAnswer(sample());
    expect(first).toMatch(
      /^For a chance of 99\u00a0% that all 60 segments arrive within one rotation, everything has to be sent \d+ times in it \(90 % interval: \d+ to \d+\)\.$/,
    );
    expect(second).toMatch(/^That fits: at this rate 9 repeats of everything fit in one rotation\.$/);
  });

  test('what does not fit is said to be not reachable, with what fits at most', () => {
    expect(repeatsAnswer(sample({ segments: 250 })).join(' ')).toMatch(
      /not reachable in this rotation at this rate: at most 2 repeats of everything fit\./,
    );
    expect(repeatsAnswer(sample({ segments: 700 })).join(' ')).toContain('not even one repeat of everything fits');
  });

  test('without a rotation repeats are counted in all', () => {
    expect(repeatsAnswer(sample({ rotation: false })).join(' ')).toMatch(
      /send everything twice in all|send everything \d+ times in all/,
    );
  });

  test('a chance is never rounded to all or nothing', () => {
    expect([0.99, 0.9999, 0.0004, 1, 0, 0.5].map(percentText)).toEqual(
      ['99', '99.99', '0.04', '100', '0', '50'].map((text) => `${text}\u00a0%`),
    );
  });
});

describe('on the terminal', () => {
  test.each([sample(), sample({ rotation: false }), sample({ segments: 700 })])(
    'no line is wider than 80 columns, and the caution is there',
    (estimate) => {
      const text = terminalRepeats(estimate);
      expect(Math.max(...text.split('\n').map(textWidth))).toBeLessThanOrEqual(80);
      expect(text.replaceAll('\n', ' ')).toMatch(
        /licence, transmit time, power and duty limits, and local rules come first/,
      );
      expect(text.replaceAll('\n', ' ')).toContain('This is an estimate');
    },
  );

  test('hostile names are harmless', () => {
    const text = terminalRepeats(sample({ names: [HOSTILE, 'highfell'] }));
    expect(text).not.toContain('\u001b');
    expect(text).not.toContain('\u202e');
  });
});

describe('as paths', () => {
  test('a line breaks where a value is missing, a band goes there and back', () => {
    expect(linePath([[0, 1], [1, 2], null, [3, 4]])).toBe('M0 1L1 2M3 4');
    expect(
      bandPath([
        [0, 1, 2],
        [5, 3, 4],
      ]),
    ).toBe('M0 2L5 4L5 3L0 1Z');
    expect(bandPath([])).toBe('');
  });

  test('ticks are whole and few', () => {
    expect(wholeTicks(1, 16, 8)).toEqual([2, 4, 6, 8, 10, 12, 14, 16]);
    expect(wholeTicks(0, 3, 8)).toEqual([0, 1, 2, 3]);
    expect(wholeTicks(-808, 1617, 6)).toEqual([-500, 0, 500, 1000, 1500]);
  });
});

describe('in the page', () => {
  const folder = mkdtempSync(join(tmpdir(), 'passweave-repeats-page-'));
  let browser: Browser;
  beforeAll(async () => {
    browser = await launchBrowser();
  });
  afterAll(async () => {
    await browser?.close();
    rmSync(folder, { recursive: true, force: true });
  });

  async function open(estimate: Estimate, width: number, colorScheme: 'light' | 'dark') {
    const page = await browser.newPage({ viewport: { width, height: 900 }, colorScheme });
    const messages: string[] = [];
    page.on('console', (message) => messages.push(message.text()));
    page.on('dialog', (dialog) => messages.push(dialog.message()));
    const file = join(folder, 'page.html');
    const style = `<style>${pageStyle}${plotStyle}</style>`;
    writeFileSync(
      file,
      `<!doctype html><html lang="en"><meta charset="utf-8">${style}<title>t</title><main>${htmlRepeats(estimate).markup}</main></html>`,
    );
    await page.goto(pathToFileURL(file).href);
    return { page, messages };
  }

  test.each([
    [360, 'light'],
    [360, 'dark'],
    [1280, 'light'],
    [1280, 'dark'],
  ] as const)('fits at %i pixels in %s, with hostile names, too', async (width, scheme) => {
    const { page, messages } = await open(sample({ names: [HOSTILE, 'x'.repeat(300)] }), width, scheme);
    expect(messages).toEqual([]);
    expect(await page.evaluate('document.documentElement.scrollWidth')).toBeLessThanOrEqual(width);
    expect(await page.evaluate('document.images.length')).toBe(0);
    await page.close();
  });

  test('has plots of completion by repeats and by rotations, one of resonance and one of phases for each station, each with words and a table', async () => {
    const estimate = sample({ segments: 227 });
    const { page } = await open(estimate, 1280, 'light');
    const labels = (await page.evaluate(
      '[...document.querySelectorAll("svg.plot")].map((plot) => plot.getAttribute("aria-label"))',
    )) as string[];
    expect(labels).toHaveLength(5);
    expect(labels[0]).toMatch(/^Chance that everything arrives, by repeats; all stations together. 1: /);
    expect(labels[1]).toMatch(/^Chance that everything has arrived, by rotations/);
    expect(labels[2]).toMatch(/^Rotations until every phase was in view/);
    expect(labels[3]).toMatch(/^Share received by saltmarsh over the rotation: in view for /);
    expect(await page.locator('figure details table').count()).toBe(5);
    expect(await page.locator('p.caution').textContent()).toContain(
      'the licence, transmit time, power and duty limits',
    );
    // The line and the dots of the curve stand in the picture, one dot for each count tried.
    const dots = await page.locator('figure').first().locator('circle').count();
    expect(dots).toBe(estimate.rows[0]!.curve.length);
    await page.close();
  });
});
