// The report of the Dotterel sample, as the main job writes it, opened from disk in a real browser beside the files it links to.
import { existsSync, mkdtempSync, readFileSync, rmSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { fileURLToPath, pathToFileURL } from 'node:url';
import type { Browser } from 'playwright-core';
import sharp from 'sharp';
import { afterAll, beforeAll, expect, test } from 'vitest';
import type { Coverage } from '../../src/coverage/coverage.js';
import { recover } from '../../src/recover.js';
import { count, perCent } from '../../src/report/quantity.js';
import { launchBrowser } from '../support/browser.js';
import { openPage, seriousIssues } from '../support/open-page.js';

const sample = fileURLToPath(new URL('../../samples/dotterel', import.meta.url));
const out = mkdtempSync(join(tmpdir(), 'passweave-sample-'));
const file = join(out, 'report.html');
let browser: Browser;
let coverage: Coverage;

beforeAll(async () => {
  await recover({
    recordings: [join(sample, 'recordings')],
    mission: join(sample, 'mission.yaml'),
    out,
    contactSheet: true,
    repeats: true,
  });
  coverage = JSON.parse(readFileSync(join(out, 'coverage.json'), 'utf8')) as Coverage;
  browser = await launchBrowser();
});

afterAll(async () => {
  await browser?.close();
  rmSync(out, { recursive: true, force: true });
});

test('the counts of every view are those of coverage.json', async () => {
  const { page, messages } = await openPage(browser, file, { hash: '#files' });
  for (const { id, segments, state } of coverage.files) {
    const facts = (await page.locator(`#file-${id} .facts`).allTextContents()).join();
    expect(facts).toContain(state);
    expect(facts).toContain(`${count(segments.received)} of ${count(segments.total)} segment`);
    expect(facts).toContain(perCent(segments.received, segments.total));
  }
  await page.goto(`${pathToFileURL(file).href}#stations`);
  for (const { name, frames, segments } of coverage.stations) {
    const cells = await page
      .locator('section:visible table')
      .first()
      .locator('tr', { hasText: name })
      .locator('td')
      .allTextContents();
    expect(cells.slice(0, 6)).toEqual(
      [segments.received, segments.onlyHere, frames.read, frames.intact, frames.damaged, frames.lost].map(count),
    );
  }
  await page.goto(`${pathToFileURL(file).href}#timeline`);
  const heard = await page
    .locator('section:visible table')
    .first()
    .locator('tbody tr td:nth-child(2)')
    .allTextContents();
  expect(heard[0]).toBe(count(coverage.totals.transmissions.received));
  expect(heard.slice(1)).toEqual(coverage.stations.map(({ frames }) => count(frames.intact - frames.overlapping)));
  expect(messages).toEqual([]);
  await page.context().close();
});

test('every link and every clip is a file beside the page, and nothing else is asked for', async () => {
  const { page, messages, requests } = await openPage(browser, file, { hash: '#gallery' });
  const clip = page.locator('video');
  await clip.evaluate(async (video) => {
    const player = video as unknown as { load(): void; preload: string };
    player.preload = 'metadata';
    player.load();
  });
  // A player asks for a clip in several parts.
  await expect.poll(() => new Set(requests.map((url) => url.replace(/#.*/, ''))).size).toBe(2);
  const sources = await clip.evaluateAll((all) => all.map((video) => (video as unknown as { src: string }).src));
  await page.goto(`${pathToFileURL(file).href}#files`);
  await page.locator('#view-files article').first().waitFor();
  const links = await page
    .locator('#view-files article a')
    .evaluateAll((all) => all.map((link) => (link as unknown as { href: string }).href));
  expect(links).toHaveLength(coverage.files.length);
  for (const target of [...sources, ...links]) expect(existsSync(fileURLToPath(target)), target).toBe(true);
  expect(new Set(requests.map((url) => url.replace(/#.*/, '')))).toEqual(
    new Set([pathToFileURL(file).href, ...sources]),
  );
  expect(messages).toEqual([]);
  await page.context().close();
});

test.each([
  [360, 'light'],
  [1280, 'dark'],
] as const)(
  'the view of repeats is quiet and fits at %i pixels in %s, and axe-core finds no serious issue',
  async (width, scheme) => {
    const { page, messages } = await openPage(browser, file, { hash: '#repeats', width, scheme });
    expect(await page.locator('#view-repeats svg[role=img]').count()).toBeGreaterThan(0);
    expect(await page.evaluate('document.documentElement.scrollWidth')).toBeLessThanOrEqual(width);
    expect(await seriousIssues(page)).toEqual([]);
    await page.setViewportSize({ width: 688, height: 1000 });
    await page.emulateMedia({ media: 'print' });
    await page.locator('#view-provenance').waitFor();
    expect(await page.locator('#view-repeats details:not([open])').count()).toBe(0);
    expect(await page.evaluate('document.documentElement.scrollWidth')).toBeLessThanOrEqual(688);
    expect(messages).toEqual([]);
    await page.context().close();
  },
);

test('the contact sheet stands beside it when it was asked for', async () => {
  const { format, width } = await sharp(join(out, 'contact-sheet.png')).metadata();
  expect([format, width]).toEqual(['png', 3 * 256 + 16]);
});
