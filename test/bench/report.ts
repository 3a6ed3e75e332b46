// npx tsx test/bench/report.ts: how fast the report of a large campaign is written, opens, and follows the reader, in headless Chromium.
// 1,000 files of 5,000 segments, and one file of 100,000. Run `npm run build` before; the figures are of this machine and this moment.
import { mkdtempSync, rmSync, statSync, writeFileSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { pathToFileURL } from 'node:url';
import type { Page } from 'playwright-core';
import { reportHtml } from '../../src/report/html.js';
import type { Report } from '../../src/report/model.js';
import { launchBrowser } from '../support/browser.js';
import { largeReport } from '../support/sample-report.js';

const ROUNDS = 5;
const folder = mkdtempSync(join(tmpdir(), 'passweave-bench-'));
const browser = await launchBrowser();
try {
  const cases: [string, Report, string][] = [0.001, 0.01, 0.5].map((loss) => [
    `1,000 x 5,000, ${loss * 100} % lost`,
    largeReport(1000, 5000, loss),
    '#files',
  ]);
  cases.push(['1 x 100,000, 1 % lost', largeReport(2, 100_000, 0.01), '#file-2']);
  console.log(
    '| campaign | written in s | page MB | usable in s | filter answers in ms | zoom step, script ms: median, worst | to the frame, ms |',
  );
  console.log('|---|--:|--:|--:|--:|--:|--:|');
  for (const [name, report, hash] of cases) {
    const file = join(folder, 'report.html');
    const start = performance.now();
    writeFileSync(file, reportHtml(report));
    const written = (performance.now() - start) / 1000;
    const runs: Awaited<ReturnType<typeof openAndUse>>[] = [];
    for (let round = 0; round < ROUNDS; round++) runs.push(await openAndUse(pathToFileURL(file).href + hash));
    const median = (pick: (run: (typeof runs)[number]) => number): number =>
      runs.map(pick).sort((a, b) => a - b)[Math.floor(ROUNDS / 2)]!;
    const worst = Math.max(...runs.map(({ script }) => script.at(-1)!));
    const zoom = `${median(({ script }) => middle(script)).toFixed(1)}, ${worst.toFixed(1)} | ${median(({ frame }) => middle(frame)).toFixed(0)}`;
    console.log(
      `| ${name} | ${written.toFixed(1)} | ${(statSync(file).size / 1e6).toFixed(2)} | ${median(({ usable }) => usable / 1000).toFixed(2)} | ${median(({ filter }) => filter).toFixed(0)} | ${zoom} |`,
    );
  }
} finally {
  await browser.close();
  rmSync(folder, { recursive: true, force: true });
}

function middle(sorted: readonly number[]): number {
  return sorted[Math.floor(sorted.length / 2)]!;
}

type Use = { readonly usable: number; readonly filter: number; readonly script: number[]; readonly frame: number[] };

/** Opens the page; usable = the first strips are drawn, and the filter has answered on the screen. Times in ms. */
async function openAndUse(url: string): Promise<Use> {
  const page = await browser.newPage({ viewport: { width: 1280, height: 900 } });
  const start = performance.now();
  await page.goto(url);
  await page.locator('.strip-box svg').first().waitFor();
  const filter = await answerTime(page);
  const usable = performance.now() - start;
  const zoom = await zoomTimes(page);
  await page.close();
  return { usable, filter, ...zoom };
}

async function answerTime(page: Page): Promise<number> {
  const start = performance.now();
  await page.getByLabel('Name or number').fill('2');
  await page
    .locator('p[aria-live]', { hasText: / of | file/ })
    .first()
    .waitFor();
  const filter = performance.now() - start;
  await page.getByLabel('Name or number').fill('');
  return filter;
}

/** From a key to the end of what the page does about it, and to the next frame, in the page itself; sorted. */
async function zoomTimes(page: Page): Promise<{ script: number[]; frame: number[] }> {
  if ((await page.locator('.drawing').count()) === 0) await page.locator('article summary').first().click();
  await page.locator('.drawing').first().waitFor();
  return page.evaluate<{ script: number[]; frame: number[] }>(`(async () => {
    const plot = document.querySelector('.drawing');
    const script = [];
    const frame = [];
    for (const key of [...'++++++++', ...'--------', ...'++++', ...Array(20).fill('ArrowRight')]) {
      const start = performance.now();
      plot.dispatchEvent(new KeyboardEvent('keydown', { key, bubbles: true }));
      await Promise.resolve();
      await Promise.resolve();
      script.push(performance.now() - start);
      await new Promise((done) => requestAnimationFrame(() => setTimeout(done)));
      frame.push(performance.now() - start);
    }
    const rising = (a, b) => a - b;
    return { script: script.sort(rising), frame: frame.sort(rising) };
  })()`);
}
