// The page in a real browser, opened from disk: nothing leaves it, nothing breaks, nothing overflows.
// PASSWEAVE_SCREENSHOTS names a folder for pictures of it; without it they go to a folder that is deleted.
import { mkdirSync, mkdtempSync, rmSync, writeFileSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { pathToFileURL } from 'node:url';
import type { Browser, Page } from 'playwright-core';
import { afterAll, beforeAll, describe, expect, test } from 'vitest';
import { reportHtml } from '../../src/report/html.js';
import type { Report } from '../../src/report/model.js';
import { launchBrowser } from '../support/browser.js';
import { hostileLetters, hostileReport } from '../support/hostile-report.js';
import { largeReport, sampleReport } from '../support/sample-report.js';

const folder = mkdtempSync(join(tmpdir(), 'passweave-page-'));
const screenshots = process.env['PASSWEAVE_SCREENSHOTS'] ?? folder;
let browser: Browser;
let report: Report;

beforeAll(async () => {
  mkdirSync(screenshots, { recursive: true });
  report = await sampleReport();
  writeFileSync(join(folder, 'sample.html'), reportHtml(report));
  writeFileSync(join(folder, 'hostile.html'), reportHtml(hostileReport(report)));
  writeFileSync(join(folder, 'large.html'), reportHtml(largeReport(1000, 5000, 0.01)));
  browser = await launchBrowser();
});

afterAll(async () => {
  await browser?.close();
  rmSync(folder, { recursive: true, force: true });
});

type View = { page: Page; messages: string[]; requests: string[] };

async function open(name: string, width = 1280, colorScheme: 'light' | 'dark' = 'light'): Promise<View> {
  const page = await browser.newPage({ viewport: { width, height: 900 }, colorScheme });
  const view: View = { page, messages: [], requests: [] };
  page.on('console', (message) => view.messages.push(message.text()));
  page.on('pageerror', (error) => view.messages.push(error.message));
  page.on('dialog', (dialog) => view.messages.push(dialog.message()));
  page.on('request', (request) => view.requests.push(request.url()));
  await page.goto(pathToFileURL(join(folder, `${name}.html`)).href);
  return view;
}

const evaluate = <T>(page: Page, expression: string): Promise<T> => page.evaluate(expression);

describe.each([360, 1280, 2560])('the page at %i pixels', (width) => {
  test.each(['light', 'dark'] as const)('is complete, quiet and fits in %s', async (scheme) => {
    const { page, messages, requests } = await open('sample', width, scheme);
    await page.screenshot({ path: join(screenshots, `report-${width}-${scheme}.png`), fullPage: true });
    expect(messages).toEqual([]);
    expect(requests.filter((url) => !url.startsWith('data:image/'))).toHaveLength(1);
    expect(await evaluate(page, 'document.documentElement.scrollWidth')).toBeLessThanOrEqual(width);
    expect(await page.title()).toBe('Dotterel: coverage');
    expect(await page.locator('h2').allInnerTexts()).toEqual([
      'Summary',
      'Files',
      'Stations',
      'Missing',
      'Recordings',
      'Notes',
    ]);
    expect(await page.locator('article h3').count()).toBe(report.coverage.files.length);
    expect(
      await evaluate(
        page,
        '[...document.images].every((image) => image.complete && image.naturalWidth > 0 && image.alt !== "")',
      ),
    ).toBe(true);
    // Relative luminance as WCAG 2.2 defines it, contrast of the running text at least 7 to 1.
    const contrast = await evaluate<number>(
      page,
      `(() => {
        const style = getComputedStyle(document.body);
        const light = (colour) => colour.match(/[0-9.]+/g).slice(0, 3).map((value) => value / 255)
          .map((value) => (value <= 0.04045 ? value / 12.92 : ((value + 0.055) / 1.055) ** 2.4))
          .reduce((sum, value, index) => sum + value * [0.2126, 0.7152, 0.0722][index], 0);
        const [a, b] = [light(style.color), light(style.backgroundColor)].sort((x, y) => y - x);
        return (a + 0.05) / (b + 0.05);
      })()`,
    );
    expect(contrast).toBeGreaterThan(7);
    await page.close();
  });

  test('holds hostile text without overflowing', async () => {
    const { page, messages } = await open('hostile', width);
    expect(messages).toEqual([]);
    expect(await evaluate(page, 'document.documentElement.scrollWidth')).toBeLessThanOrEqual(width);
    await page.close();
  });
});

test('strips have words, tables have captions and headings with scope, thumbnails a description', async () => {
  const { page } = await open('sample');
  const strips = page.getByRole('img', { name: /segments: .* received several times, .* once, .* missing$/ });
  expect(await strips.count()).toBe(report.coverage.files.length);
  expect(
    await evaluate(page, '[...document.querySelectorAll("table")].every((table) => table.caption.textContent !== "")'),
  ).toBe(true);
  expect(
    await evaluate(page, '[...document.querySelectorAll("th")].every((cell) => ["col", "row"].includes(cell.scope))'),
  ).toBe(true);
  expect(await page.getByAltText('Small view of what was received of limb-0011.jpg').count()).toBe(1);
  await page.close();
});

test('the missing ranges of a file open with a click and are the ranges of the document', async () => {
  const { page } = await open('sample');
  const file = report.coverage.files.find(({ name }) => name === 'limb-0012.jpg')!;
  const block = page.locator('article', { hasText: file.name });
  const list = block.locator('details p');
  expect(await list.isVisible()).toBe(false);
  await block.locator('summary').click();
  const expected = file.segments.missing.map(([first, last]) => (first === last ? `${first}` : `${first}–${last}`));
  expect(await list.allInnerTexts()).toEqual([expected.join(', ')]);
  await page.close();
});

test('hostile text is shown as text, in order, and does nothing', async () => {
  const { page, messages, requests } = await open('hostile');
  await page.screenshot({ path: join(screenshots, 'report-hostile.png'), fullPage: true });
  expect(messages).toEqual([]);
  expect(requests.filter((url) => !url.startsWith('data:image/'))).toHaveLength(1);
  const shown = `${hostileLetters}⟨U+001B⟩[2J⟨U+001B⟩]0;owned⟨U+0007⟩⟨U+0000⟩⟨U+202E⟩gpj.exe⟨U+2066⟩`;
  expect(await page.title()).toBe(`${shown}: coverage`);
  expect(await page.locator('h1').allInnerTexts()).toEqual([`${shown}: coverage`]);
  expect(await page.locator('article bdi').allInnerTexts()).toContain(shown);
  for (const section of ['stations', 'missing', 'recordings']) {
    expect(await page.locator(`#${section} tbody bdi`).allInnerTexts()).toContain(shown);
  }
  expect(await page.locator('#notes li').allInnerTexts()).toEqual([shown, ...report.coverage.notes]);
  expect(await page.locator('script').count()).toBe(0);
  await page.close();
});

test('a link leads to the file that was written', async () => {
  const { page } = await open('sample');
  const target = await evaluate<string>(
    page,
    '[...document.querySelectorAll("article a")].find((a) => a.textContent === "limb-0007.jpg").href',
  );
  expect(target).toBe(pathToFileURL(join(folder, 'files', 'limb-0007.jpg')).href);
  await page.close();
});

test('1,000 files load, and each can be reached', async () => {
  const { page, messages } = await open('large');
  expect(messages).toEqual([]);
  await page.locator('#file-1000').scrollIntoViewIfNeeded();
  await page.screenshot({ path: join(screenshots, 'report-large.png') });
  expect(await page.locator('#file-1000 h3').allInnerTexts()).toEqual(['limb-1000.jpg file 1000']);
  await page.close();
});

test('printed on A4 the page stays within the paper and shows every missing range', async () => {
  const { page } = await open('sample');
  const pdf = await page.pdf({ preferCSSPageSize: true });
  const boxes = [...pdf.toString('latin1').matchAll(/\/MediaBox \[0 0 ([\d.]+) ([\d.]+)\]/g)];
  expect(boxes.length).toBeGreaterThan(1);
  // ISO 216: A4 is 210 mm x 297 mm; a PDF unit is 1/72 inch.
  for (const [, width, height] of boxes) {
    expect(Math.abs(Number(width) - (210 / 25.4) * 72)).toBeLessThan(1);
    expect(Math.abs(Number(height) - (297 / 25.4) * 72)).toBeLessThan(1);
  }
  await page.setViewportSize({ width: 688, height: 1000 }); // 182 mm between the margins at 96 pixels an inch
  await page.emulateMedia({ media: 'print' });
  await page.screenshot({ path: join(screenshots, 'report-print.png'), fullPage: true });
  const wide = await evaluate<number>(
    page,
    'Math.max(...[...document.querySelectorAll("table, article, p")].map((box) => box.getBoundingClientRect().right))',
  );
  expect(wide).toBeLessThanOrEqual(688);
  const rows = page.locator('#missing tbody tr');
  expect(await rows.count()).toBe(report.missing.length);
  const region =
    '(() => { const box = document.querySelector("#missing .scroll"); return box.scrollHeight - box.clientHeight; })()';
  expect(await evaluate(page, region)).toBeLessThanOrEqual(0);
  await page.close();
});
