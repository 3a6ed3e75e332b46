// The report page in a real browser, opened from disk: every view is complete, quiet, accessible and fits; nothing leaves the page.
// Accessibility is judged by axe-core. PASSWEAVE_SCREENSHOTS names a folder for pictures of each view; without it none are kept.
import { mkdirSync, mkdtempSync, rmSync, writeFileSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { pathToFileURL } from 'node:url';
import type { Browser, Locator, Page } from 'playwright-core';
import { afterAll, beforeAll, describe, expect, test } from 'vitest';
import { reportHtml } from '../../src/report/html.js';
import type { Report } from '../../src/report/model.js';
import { count } from '../../src/report/quantity.js';
import { launchBrowser } from '../support/browser.js';
import { hostileLetters, hostileReport } from '../support/hostile-report.js';
import { type OpenedPage, type OpenOptions, openPage, seriousIssues } from '../support/open-page.js';
import { largeReport, sampleReport } from '../support/sample-report.js';

const folder = mkdtempSync(join(tmpdir(), 'passweave-page-'));
const screenshots = process.env['PASSWEAVE_SCREENSHOTS'] ?? folder;
const views = ['summary', 'gallery', 'files', 'stations', 'timeline', 'missing', 'repeats', 'provenance'];
const shownHostile = `${hostileLetters}⟨U+001B⟩[2J⟨U+001B⟩]0;owned⟨U+0007⟩⟨U+0000⟩⟨U+202E⟩gpj.exe⟨U+2066⟩`;
let browser: Browser;
let report: Report;

beforeAll(async () => {
  mkdirSync(screenshots, { recursive: true });
  report = await sampleReport();
  const large = largeReport(1, 100_000, 0.01);
  const pages: Record<string, Report> = {
    sample: report,
    hostile: hostileReport({ ...report, coverage: { ...report.coverage, files: byMissing(report.coverage.files) } }),
    clip: {
      ...report,
      clips: new Map([
        [
          '20',
          [
            [150, 'exact'],
            [10, 'damaged'],
            [30, 'tainted'],
            [50, 'missing'],
            [60, 'exact'],
          ],
        ],
      ]),
    },
    large: largeReport(1000, 50, 0.02),
    long: {
      ...large,
      coverage: { ...large.coverage, files: [{ ...large.coverage.files[0]!, name: 'long.jpg', state: 'partial' }] },
      strips: [
        {
          id: '1',
          total: 100_000,
          runs: [
            [0, 49_999, 1],
            [50_000, 50_000, 0],
            [50_001, 99_999, 3],
          ],
        },
      ],
    },
  };
  for (const [name, each] of Object.entries(pages)) writeFileSync(join(folder, `${name}.html`), reportHtml(each));
  browser = await launchBrowser();
});

afterAll(async () => {
  await browser?.close();
  rmSync(folder, { recursive: true, force: true });
});

/** The hostile name falls to the first file: one with missing ranges and a picture, so that it is in every view. */
const byMissing = (files: Report['coverage']['files']): Report['coverage']['files'] =>
  [...files].sort((a, b) => b.segments.missing.length - a.segments.missing.length);

const open = (name: string, options?: OpenOptions): Promise<OpenedPage> =>
  openPage(browser, join(folder, `${name}.html`), options);
const evaluate = <T>(page: Page, expression: string): Promise<T> => page.evaluate(expression);

async function textOf(locator: Locator): Promise<string> {
  await locator.waitFor();
  return (await locator.allTextContents()).join(' ');
}

async function show(page: Page, view: string): Promise<void> {
  await page.locator(`nav a[href="#${view}"]`).click();
  await page.locator(`#view-${view}`).waitFor();
}

/** Scrolls through the page, so that everything that waits for that is drawn. */
async function scrollThrough(page: Page): Promise<void> {
  await evaluate(
    page,
    `(async () => { for (let y = 0; y < document.documentElement.scrollHeight; y += 800) { scrollTo(0, y); await new Promise((done) => setTimeout(done, 30)); } scrollTo(0, 0); })()`,
  );
}

describe.each([360, 1280, 2560])('at %i pixels', (width) => {
  test.each(['light', 'dark'] as const)(
    'every view is quiet and fits in %s, and axe-core finds no serious issue',
    async (scheme) => {
      const { page, messages, requests } = await open('sample', { width, scheme });
      for (const view of views) {
        await show(page, view);
        if (process.env['PASSWEAVE_SCREENSHOTS']) {
          await scrollThrough(page);
          await page.screenshot({ path: join(screenshots, `${view}-${width}-${scheme}.png`), fullPage: true });
        }
        expect(await evaluate(page, 'document.documentElement.scrollWidth'), view).toBeLessThanOrEqual(width);
        if (width === 1280 || (width === 360 && scheme === 'light'))
          expect(await seriousIssues(page), view).toEqual([]);
        expect(await page.locator('main section:visible h2').allTextContents()).toHaveLength(1);
      }
      expect(messages).toEqual([]);
      expect(requests).toEqual([pathToFileURL(join(folder, 'sample.html')).href]);
      await page.context().close();
    },
  );

  test('hostile text fits in every view', async () => {
    const { page, messages } = await open('hostile', { width });
    for (const view of views) {
      await show(page, view);
      expect(await evaluate(page, 'document.documentElement.scrollWidth'), view).toBeLessThanOrEqual(width);
    }
    expect(messages).toEqual([]);
    await page.context().close();
  });
});

describe('the page', () => {
  test('hostile text is shown as text, in order, and does nothing', async () => {
    const { page, messages, requests } = await open('hostile');
    expect(await page.title()).toBe(`${shownHostile}: coverage`);
    expect(await page.locator('h1').allTextContents()).toEqual([`${shownHostile}: coverage`]);
    expect(await page.locator('#notes li').allTextContents()).toEqual([shownHostile, ...report.coverage.notes]);
    for (const view of ['gallery', 'files', 'stations', 'timeline', 'missing', 'provenance']) {
      await show(page, view);
      expect(await page.locator(`#view-${view} bdi`).allTextContents(), view).toContain(shownHostile);
    }
    await page.screenshot({ path: join(screenshots, 'hostile.png'), fullPage: true });
    expect(await page.locator('script').count()).toBe(2);
    expect(
      await page
        .locator('img')
        .evaluateAll((all) => all.every((image) => image.getAttribute('src')?.startsWith('data:'))),
    ).toBe(true);
    expect(messages).toEqual([]);
    expect(requests).toHaveLength(1);
    const hidden = '/[\\u0000-\\u0008\\u001b\\u202a-\\u202e\\u2066-\\u2069]/';
    expect(await evaluate(page, `${hidden}.test(document.getElementById('page').outerHTML)`)).toBe(false);
    await page.context().close();
  });

  test('runs no program but its own, whatever markup would get in', async () => {
    const { page, messages } = await open('sample');
    await evaluate(
      page,
      `document.body.insertAdjacentHTML('beforeend', '<img src="nothing.png" onerror="document.title = 1"><a id="bad" href="javascript:document.title = 2">x</a>')`,
    );
    await page.locator('#bad').click();
    expect(await page.title()).toBe('Dotterel: coverage');
    expect(messages.join('\n')).toContain('Content Security Policy');
    await page.context().close();
  });

  test('tells summary and tables where programs may not run', async () => {
    const { page, messages } = await open('hostile', { javaScript: false });
    await page.screenshot({ path: join(screenshots, 'without-javascript.png'), fullPage: true });
    expect(await page.locator('h1').allTextContents()).toEqual([`${shownHostile}: coverage`]);
    expect(await page.locator('table').first().locator('tbody tr').count()).toBe(report.coverage.files.length);
    expect(messages).toEqual([]);
    await page.context().close();
  });

  test('tells the same where the browser is too old for the views', async () => {
    const page = await browser.newPage();
    await page.addInitScript('delete globalThis.DecompressionStream');
    await page.goto(pathToFileURL(join(folder, 'hostile.html')).href);
    await page.locator('table').first().waitFor();
    expect(await page.locator('h1').allTextContents()).toEqual([`${shownHostile}: coverage`]);
    expect(await page.title()).toBe(`${shownHostile}: coverage`);
    await page.close();
  });

  test('links lead to the files that were written, and none out of the folder', async () => {
    const { page } = await open('hostile', { hash: '#files' });
    const links = await page
      .locator('article a')
      .evaluateAll((all) => all.map((link) => (link as unknown as { href: string }).href));
    const own = pathToFileURL(`${folder}/`).href;
    expect(links).toContain(`${own}partial/limb-0012.jpg`);
    expect(links.filter((link) => !link.startsWith(own))).toEqual([]);
    await page.context().close();
  });

  test('each view has its address, and the way back works', async () => {
    const { page } = await open('sample', { hash: '#timeline' });
    expect(await textOf(page.locator('nav [aria-current]'))).toBe('Timeline');
    await show(page, 'missing');
    await page.goBack();
    expect(await textOf(page.locator('section:visible h2'))).toBe('Timeline');
    await page.context().close();
  });

  test('shows another document when it is given one, and keeps what the reader did', async () => {
    // The page on disk keeps its store to itself: this one is fed, as a live page would be.
    const { build } = await import('esbuild');
    const entry = join(folder, 'fed.ts');
    const root = join(import.meta.dirname, '../..');
    writeFileSync(
      entry,
      `import { showPage } from '${root}/src/web/views/page.js';
       import { DocumentStore } from '${root}/src/web/views/store.js';
       import { unpackDocument } from '${root}/src/web/views/unpack.js';
       const store = new DocumentStore(await unpackDocument(JSON.parse(document.getElementById('document').textContent)));
       globalThis.store = store;
       showPage(document.getElementById('page'), store);`,
    );
    const { outputFiles } = await build({
      entryPoints: [entry],
      bundle: true,
      write: false,
      format: 'esm',
      target: 'es2022',
      jsx: 'automatic',
      jsxImportSource: 'preact',
      nodePaths: [join(root, 'node_modules')],
    });
    const page = await browser.newPage();
    const html = reportHtml(report)
      .replace(/<meta http-equiv[^>]*>/, '')
      .replace(
        /<script type="module">[\s\S]*?<\/script>/,
        () => `<script type="module">${outputFiles[0]!.text}</script>`,
      );
    writeFileSync(join(folder, 'fed.html'), html);
    await page.goto(`${pathToFileURL(join(folder, 'fed.html')).href}#files`);
    await page.getByLabel('Name or number').fill('limb-001');
    expect(await page.locator('article').count()).toBe(3);
    await evaluate(
      page,
      `store.replace({ ...store.document, files: store.document.files.map((file) => file.id === '11' ? { ...file, received: 600 } : file) })`,
    );
    await page.getByText('600 of 667 segments').waitFor();
    expect(await page.locator('article').count()).toBe(3);
    await page.close();
  });
});

describe('the files view', () => {
  test('filters by name and by state, and says how many are shown', async () => {
    const { page } = await open('sample', { hash: '#files' });
    const names = () => page.locator('article h3 bdi').allTextContents();
    expect(await names()).toHaveLength(report.coverage.files.length);
    await page.getByLabel('Name or number').fill('limb 12');
    await page.getByText('1 of 8 files.').waitFor();
    expect(await names()).toEqual(['limb-0012.jpg']);
    await page.getByLabel('Name or number').fill('');
    await page.getByLabel(/partial/).uncheck();
    await page.getByText('5 of 8 files.').waitFor();
    const rest = report.coverage.files.filter(({ state }) => state !== 'partial').map(({ name }) => name);
    expect((await names()).sort()).toEqual(rest.sort());
    await page.context().close();
  });

  test('sorts', async () => {
    const { page } = await open('sample', { hash: '#files' });
    const ids = () => page.locator('article').evaluateAll((all) => all.map(({ id }) => id.slice('file-'.length)));
    await page.getByLabel('Sort by').selectOption({ label: 'size, largest first' });
    const bySize = [...report.coverage.files].sort((a, b) => b.bytes! - a.bytes!).map(({ id }) => id);
    expect(await ids()).toEqual(bySize);
    await page.getByLabel('Sort by').selectOption({ label: 'segments missing, most first' });
    expect((await ids()).slice(0, 3)).toEqual(['11', '12', '20']);
    await page.context().close();
  });

  test('strips have words that count every segment', async () => {
    const { page } = await open('sample', { hash: '#files' });
    await scrollThrough(page);
    for (const { id, name, segments } of report.coverage.files) {
      const words = await page.locator(`#file-${id}`).getByRole('img').first().getAttribute('aria-label');
      const numbers = words!
        .replaceAll(',', '')
        .match(/^(\d+) segments: (\d+) received several times (\d+) once (\d+) missing$/);
      expect(numbers, name).not.toBeNull();
      const [total, several, once, missing] = numbers!.slice(1).map(Number);
      expect([total, missing], name).toEqual([segments.total, segments.total - segments.received]);
      expect(several! + once! + missing!).toBe(total);
    }
    await page.context().close();
  });

  test('a file opens to its missing ranges, which are those of the document', async () => {
    const { page } = await open('sample', { hash: '#files' });
    const file = report.coverage.files.find(({ name }) => name === 'limb-0012.jpg')!;
    const card = page.locator(`#file-${file.id}`);
    await card.locator('summary').click();
    const ranges = file.segments.missing.map(([first, last]) => (first === last ? `${first}` : `${first}–${last}`));
    expect(await textOf(card.locator('.ranges'))).toContain(`in ${ranges.length} ranges: ${ranges.join(', ')}`);
    await card.screenshot({ path: join(screenshots, 'file-open.png') });
    await page.context().close();
  });

  test('an address names a file: it is shown and open', async () => {
    const { page } = await open('large', { hash: '#file-900' });
    await page.locator('#file-900 .drawing').waitFor();
    const inSight =
      "(() => { const { top, bottom } = document.getElementById('file-900').getBoundingClientRect(); return top < innerHeight && bottom > 0; })()";
    await expect.poll(() => evaluate(page, inSight)).toBe(true);
    await page.context().close();
  });

  test('100,000 segments zoom by keyboard to single ones', async () => {
    const { page, messages } = await open('long', { hash: '#file-1' });
    const plot = page.locator('.drawing');
    const shown = page.locator('.shown');
    await plot.focus();
    expect(await textOf(shown)).toContain('segment 0 to 99,999 of 100,000');
    for (let i = 0; i < 14; i++) await page.keyboard.press('+');
    expect(await textOf(shown)).toMatch(/ 8 segments: \d received several times, \d once, 1 missing\.$/);
    await page.screenshot({ path: join(screenshots, 'zoomed.png') });
    const first = async (): Promise<number> =>
      Number((await textOf(shown)).replaceAll(',', '').match(/segment (\d+) to/)![1]);
    const before = await first();
    await page.keyboard.press('ArrowRight');
    expect(await first()).toBe(before + 2);
    await page.keyboard.press('End');
    expect(await textOf(shown)).toContain('to 99,999 of');
    await page.keyboard.press('0');
    expect(await textOf(shown)).toContain('segment 0 to 99,999 of');
    await page.getByRole('button', { name: 'Next missing' }).click();
    expect(await textOf(shown)).toContain('1 missing');
    expect(messages).toEqual([]);
    await page.context().close();
  });

  test('dragging over a stretch shows it closer, a double click the whole again', async () => {
    const { page } = await open('long', { hash: '#file-1' });
    const plot = page.locator('.drawing');
    await plot.scrollIntoViewIfNeeded();
    const { x, y, width } = (await plot.boundingBox())!;
    await page.mouse.move(x + width * 0.25, y + 30);
    await page.mouse.down();
    await page.mouse.move(x + width * 0.5, y + 30, { steps: 4 });
    await page.mouse.up();
    const [, from, to] = (await textOf(page.locator('.shown'))).replaceAll(',', '').match(/segment (\d+) to (\d+)/)!;
    expect(Math.abs(Number(from) - 25_000)).toBeLessThan(200);
    expect(Math.abs(Number(to) - 50_000)).toBeLessThan(200);
    await page.mouse.move(x + 3, y + 30);
    expect(await textOf(page.locator('.pointed'))).toMatch(/^segment 25,\d+: received once, as all from 0 to 49,999$/);
    await plot.dblclick();
    expect(await textOf(page.locator('.shown'))).toContain('segment 0 to 99,999');
    await page.context().close();
  });
});

describe('the other views', () => {
  test('the gallery shows each picture that there is, and a clip that plays from beside the page', async () => {
    const { page } = await open('sample', { hash: '#gallery' });
    await scrollThrough(page);
    const images = await page.locator('#view-gallery img').evaluateAll((all) =>
      all.map((image) => {
        const { naturalWidth, alt } = image as unknown as { naturalWidth: number; alt: string };
        return naturalWidth > 0 ? alt : 'not shown';
      }),
    );
    expect(images).toContain('Small view of what was received of limb-0011.jpg');
    expect(images).not.toContain('not shown');
    expect(await page.locator('video').getAttribute('src')).toBe('./salvage/sail-unfurl.mp4.mp4');
    expect(
      await page
        .locator('#view-gallery')
        .getByRole('img', { name: /segments: .* missing$/ })
        .count(),
    ).toBe(report.thumbnails.size);
    await page.context().close();
  });

  test('a clip whose frames are classed has a strip of them', async () => {
    const { page } = await open('clip', { hash: '#gallery' });
    const strip = page.getByRole('img', {
      name: '300 frames: 210 exact, 10 damaged, 30 built on damaged ones, 50 missing',
    });
    await strip.waitFor();
    await strip.screenshot({ path: join(screenshots, 'clip-frames.png') });
    expect(await strip.locator('rect').count()).toBe(5);
    await page.context().close();
  });

  test('the stations view says what would be missing without each', async () => {
    const { page } = await open('sample', { hash: '#stations' });
    const row = page
      .locator('table', { hasText: 'had that station handed in nothing' })
      .locator('tr', { hasText: 'lowquay' });
    const lowquay = report.coverage.stations.find(({ name }) => name === 'lowquay')!;
    expect(await textOf(row.locator('td').first())).toBe(count(lowquay.segments.onlyHere));
    expect(await page.locator('table', { hasText: 'that both received' }).locator('tbody tr').count()).toBe(6);
    await page.context().close();
  });

  test('tables sort by their headings and say so', async () => {
    const { page } = await open('sample', { hash: '#stations' });
    const table = page.locator('table').first();
    await table.getByRole('button', { name: 'Lost' }).click();
    expect(await table.locator('th[aria-sort]').getAttribute('aria-sort')).toBe('descending');
    const byLost = [...report.coverage.stations].sort((a, b) => b.frames.lost - a.frames.lost).map(({ name }) => name);
    expect(await table.locator('tbody th').allTextContents()).toEqual(byLost);
    await page.context().close();
  });

  test('the timeline zooms, and its table counts the part that is shown', async () => {
    const { page } = await open('sample', { hash: '#timeline', timeZone: 'Asia/Kathmandu' });
    const received = async (): Promise<number[]> => {
      const cells = await page.locator('table').first().locator('tbody tr td:nth-child(2)').allTextContents();
      return cells.map((text) => Number(text.replaceAll(',', '')));
    };
    const intact = report.coverage.stations.map(({ frames }) => frames.intact);
    expect((await received()).slice(1)).toEqual(intact);
    expect(await textOf(page.locator('.shown'))).toContain('2027-03-14 02:15:40 UTC (local 08:00:40 GMT+5:45)');
    await page.locator('.drawing').focus();
    await page.keyboard.press('+');
    await expect.poll(async () => (await received())[0]).toBeLessThan(report.coverage.totals.transmissions.received);
    const part = await received();
    expect(part.every((number, i) => i === 0 || number <= intact[i - 1]!)).toBe(true);
    expect(await page.locator('.rotation').count()).toBeGreaterThan(0);
    await page.context().close();
  });

  test('the missing view has every range, and copies them as missing.csv has them', async () => {
    const { page } = await open('sample', { hash: '#missing' });
    expect(await page.locator('#view-missing tbody tr').count()).toBe(report.missing.length);
    // The copy is caught: headless browsers share no clipboard.
    await evaluate(page, 'navigator.clipboard.writeText = async (text) => { globalThis.copied = text; }');
    await page.getByRole('button', { name: 'Copy as CSV' }).click();
    await page.getByText(`${report.missing.length} rows copied.`).waitFor();
    const { missingCsv } = await import('../../src/report/csv.js');
    expect(await evaluate(page, 'globalThis.copied')).toBe(missingCsv(report));
    await page.context().close();
  });

  test('where the browser does not let the page copy, the rows can be copied by hand', async () => {
    const { page } = await open('sample', { hash: '#missing' });
    await evaluate(page, 'navigator.clipboard.writeText = async () => { throw new Error("no"); }');
    await page.getByRole('button', { name: 'Copy as CSV' }).click();
    expect(await page.getByLabel('Missing ranges as CSV').inputValue()).toMatch(/^file,name,first,last/);
    await page.context().close();
  });
});

test('1,000 files come up, and each can be reached', async () => {
  const { page, messages } = await open('large', { hash: '#files' });
  await page.locator('#file-1000').waitFor({ state: 'attached' });
  await expect.poll(() => page.locator('article').count(), { timeout: 20_000 }).toBe(1000);
  await page.getByLabel('Name or number').fill('limb-0777');
  await page.getByText('1 of 1,000 files.').waitFor();
  expect(messages).toEqual([]);
  await page.context().close();
});

test('printed on A4 every view is there, within the paper, with every missing range', async () => {
  const { page } = await open('sample');
  const pdf = await page.pdf({ preferCSSPageSize: true });
  if (process.env['PASSWEAVE_SCREENSHOTS']) writeFileSync(join(screenshots, 'print.pdf'), pdf);
  const boxes = [...pdf.toString('latin1').matchAll(/\/MediaBox \[0 0 ([\d.]+) ([\d.]+)\]/g)];
  expect(boxes.length).toBeGreaterThan(4);
  // ISO 216: A4 is 210 mm x 297 mm; a PDF unit is 1/72 inch.
  for (const [, width, height] of boxes) {
    expect(Math.abs(Number(width) - (210 / 25.4) * 72)).toBeLessThan(1);
    expect(Math.abs(Number(height) - (297 / 25.4) * 72)).toBeLessThan(1);
  }
  await page.setViewportSize({ width: 688, height: 1000 }); // 182 mm between the margins at 96 pixels an inch
  await page.emulateMedia({ media: 'print' });
  await page.locator('#view-provenance').waitFor();
  await page.screenshot({ path: join(screenshots, 'print.png'), fullPage: true });
  const wide = await evaluate<number>(
    page,
    'Math.max(...[...document.querySelectorAll("table, article, p, svg.strip")].map((box) => box.getBoundingClientRect().right))',
  );
  expect(wide).toBeLessThanOrEqual(688);
  expect(await page.locator('main h2:visible').count()).toBe(views.length);
  expect(await page.locator('#view-missing tbody tr').count()).toBe(report.missing.length);
  expect(await page.locator('article details[open]').count()).toBe(report.coverage.files.length);
  await page.emulateMedia({ media: 'screen' });
  await expect.poll(() => page.locator('main h2:visible').count()).toBe(1);
  await page.context().close();
});
