// The live page in a real browser while the sample's rehearsal is played some forty times as fast as it was: a picture appears and
// grows, what the reader does stays, and in the end every count is that of coverage.json.
import fs from 'node:fs';
import path from 'node:path';
import type { Browser, Page } from 'playwright-core';
import { afterAll, beforeAll, expect, test } from 'vitest';
import { count } from '../../src/report/quantity.js';
import { launchBrowser } from '../support/browser.js';
import { seriousIssues } from '../support/open-page.js';
import { missionFile, Player, readCoverage, sampleParts, scratchFolder, WatchProgram } from './player.js';

/** The pass took 752 s. */
const SECONDS = 18;

let browser: Browser;
beforeAll(async () => {
  browser = await launchBrowser();
});
afterAll(async () => browser?.close());

test('a pass played faster is followed picture by picture, and ends with the counts of coverage.json', {
  timeout: 120_000,
}, async () => {
  const scratch = scratchFolder();
  const [folder, out] = [path.join(scratch, 'pass'), path.join(scratch, 'out')];
  fs.mkdirSync(folder);
  const player = new Player(folder, await sampleParts());
  const program = new WatchProgram(folder, '--mission', missionFile, '--out', out);
  const address = await program.address();
  const context = await browser.newContext({ viewport: { width: 1280, height: 900 } });
  const page = await context.newPage();
  const messages: string[] = [];
  const requests: string[] = [];
  page.on('console', (message) => messages.push(message.text()));
  page.on('pageerror', (error) => messages.push(error.message));
  page.on('request', (request) => requests.push(request.url()));
  await page.goto(`${address}#gallery`);
  const playing = player.play(SECONDS);
  await page.locator('.live [role=status]', { hasText: 'Live' }).waitFor();

  // waves-0102.jpg, by its number: the name comes down late.
  const picture = page.locator('#view-gallery article:has(a[href="#file-6"])');
  await picture.waitFor({ timeout: 60_000 });
  const seen: { facts: string; source: string | null }[] = [];
  while (player.left > 0) {
    const facts = (await picture.locator('.facts').textContent()) ?? '';
    const source = (await picture.locator('img').count()) > 0 ? await picture.locator('img').getAttribute('src') : null;
    if (facts !== seen.at(-1)?.facts || source !== seen.at(-1)?.source) seen.push({ facts, source });
    if (seen.length === 3) await shoot(page, 'live-gallery-growing');
    await page.waitForTimeout(200);
  }
  await playing;
  const shares = seen.map(({ facts }) => Number(/([\d.]+)\s%/.exec(facts)?.[1] ?? 0));
  expect(shares).toEqual([...shares].sort((a, b) => a - b));
  expect(new Set(shares).size).toBeGreaterThan(3);
  expect(new Set(seen.map(({ source }) => source).filter(Boolean)).size).toBeGreaterThan(1);

  // All reports are written once nothing new came for a while.
  await expect
    .poll(() => fs.existsSync(path.join(out, 'coverage.json')) && readCoverage(out).totals.segments.received, {
      timeout: 30_000,
    })
    .toBe(1604);
  const coverage = readCoverage(out);
  await page.goto(`${address}#files`);
  for (const { id, segments } of coverage.files) {
    await expect
      .poll(async () => (await page.locator(`#file-${id} .facts`).allTextContents()).join())
      .toContain(`${count(segments.received)} of ${count(segments.total)} segment`);
  }
  await shoot(page, 'live-files');
  await page.goto(`${address}#stations`);
  for (const { name, segments } of coverage.stations) {
    const row = page.locator('section:visible table').first().locator('tr', { hasText: name });
    expect((await row.locator('td').allTextContents())[0]).toBe(count(segments.received));
  }
  expect(await seriousIssues(page)).toEqual([]);
  await page.setViewportSize({ width: 360, height: 740 });
  await page.goto(`${address}#summary`);
  await shoot(page, 'live-summary-360');
  expect(await page.evaluate('document.documentElement.scrollWidth')).toBeLessThanOrEqual(360);

  expect(await program.end()).toBe(0);
  await page.locator('.live [role=status]', { hasText: 'The watch has ended' }).waitFor();
  const own = new URL(address).origin;
  expect(requests.filter((url) => !url.startsWith('data:') && new URL(url).origin !== own)).toEqual([]);
  expect(messages).toEqual([]);
  await context.close();
});

test('what the reader filtered and zoomed stays while documents come', { timeout: 120_000 }, async () => {
  const scratch = scratchFolder();
  const [folder, out] = [path.join(scratch, 'pass'), path.join(scratch, 'out')];
  fs.mkdirSync(folder);
  const player = new Player(folder, await sampleParts());
  const program = new WatchProgram(folder, '--mission', missionFile, '--out', out);
  const playing = player.play(12);
  const page = await browser.newPage();
  await page.goto(`${await program.address()}#files`);
  await page.locator('#view-files article').nth(3).waitFor({ timeout: 60_000 });
  const search = page.locator('#view-files input[type=search]');
  await search.fill('6');
  const own = page.locator('#file-6 .facts');
  const others = page.locator('#file-4:visible');
  await expect.poll(() => others.count()).toBe(0);
  const before = await own.textContent();
  await expect.poll(() => own.textContent(), { timeout: 30_000 }).not.toBe(before);
  expect(await others.count()).toBe(0);
  expect(await search.inputValue()).toBe('6');
  await playing;
  await program.end();
  await page.close();
});

/** Into the folder that SCREENSHOTS names, to be looked at. */
async function shoot(page: Page, name: string): Promise<void> {
  const folder = process.env['SCREENSHOTS'];
  if (folder) await page.screenshot({ path: path.join(folder, `${name}.png`) });
}
