// Opens a page from disk in the test browser and keeps what it says and asks for.
import { pathToFileURL } from 'node:url';
import axe from 'axe-core';
import type { Browser, Page } from 'playwright-core';

export type OpenedPage = {
  readonly page: Page;
  /** Console, errors, dialogs. */
  readonly messages: string[];
  /** Addresses asked for, but for data URIs. */
  readonly requests: string[];
};

export type OpenOptions = {
  readonly width?: number;
  readonly scheme?: 'light' | 'dark';
  readonly hash?: string;
  readonly javaScript?: boolean;
  readonly timeZone?: string;
};

export async function openPage(browser: Browser, file: string, options: OpenOptions = {}): Promise<OpenedPage> {
  const { width = 1280, scheme = 'light', hash = '', javaScript = true, timeZone } = options;
  const context = await browser.newContext({
    viewport: { width, height: 900 },
    colorScheme: scheme,
    javaScriptEnabled: javaScript,
    ...(timeZone && { timezoneId: timeZone }),
  });
  const page = await context.newPage();
  const opened: OpenedPage = { page, messages: [], requests: [] };
  page.on('console', (message) => opened.messages.push(message.text()));
  page.on('pageerror', (error) => opened.messages.push(error.message));
  page.on('dialog', (dialog) => opened.messages.push(dialog.message()));
  page.on('request', (request) => {
    if (!request.url().startsWith('data:')) opened.requests.push(request.url());
  });
  await page.goto(pathToFileURL(file).href + hash);
  if (javaScript) await page.waitForSelector('main h2');
  return opened;
}

/** What axe-core finds serious or worse by its default rules (WCAG A and AA, and best practices), one line each. */
export async function seriousIssues(page: Page): Promise<string[]> {
  await page.evaluate(axe.source);
  const violations = await page.evaluate<
    { id: string; impact: string | null; nodes: { html: string; failureSummary: string }[] }[]
  >('axe.run(document).then(({ violations }) => violations)');
  return violations
    .filter(({ impact }) => impact === 'serious' || impact === 'critical')
    .flatMap(({ id, nodes }) =>
      nodes.map(({ html, failureSummary }) => `${id}: ${html.slice(0, 200)} ${failureSummary}`),
    );
}
