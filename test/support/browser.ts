// Starts a headless Chromium for tests: CHROME_PATH, else `chromium` on PATH, else the one packed in @sparticuz/chromium.
// Nothing is fetched: the packed one is unpacked once into the temp folder, with the system libraries it may lack.
import { spawnSync } from 'node:child_process';
import { accessSync, constants, existsSync, mkdtempSync, renameSync, rmSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { delimiter, join } from 'node:path';
import { type Browser, chromium } from 'playwright-core';

// A single process ends with the first page that closes; the others would switch off what pages are checked for.
const unwanted = new Set([
  '--single-process',
  '--no-zygote',
  '--disable-web-security',
  '--allow-running-insecure-content',
  '--disable-site-isolation-trials',
]);

/** The caller closes it. */
export async function launchBrowser(): Promise<Browser> {
  const installed = process.env['CHROME_PATH'] ?? onPath('chromium');
  if (installed !== undefined) return chromium.launch({ executablePath: installed, args: ['--no-sandbox'] });
  const packed = (await import('@sparticuz/chromium')).default;
  const folder = await unpackOnce(() => packed.executablePath());
  const executablePath = join(folder, 'chromium');
  const env = lacksLibraries(executablePath)
    ? { ...process.env, LD_LIBRARY_PATH: join(folder, 'al2023', 'lib'), FONTCONFIG_PATH: join(folder, 'fonts') }
    : process.env;
  const args = packed.args.filter((argument) => !unwanted.has(argument));
  return chromium.launch({ executablePath, args: [...args, '--no-sandbox'], env: env as Record<string, string> });
}

function onPath(name: string): string | undefined {
  const candidates = (process.env['PATH'] ?? '').split(delimiter).map((folder) => join(folder, name));
  return candidates.find((path) => {
    try {
      accessSync(path, constants.X_OK);
      return true;
    } catch {
      return false;
    }
  });
}

/** Test files run side by side: each unpacks into a folder of its own, and the first to finish gives it the common name. */
async function unpackOnce(unpack: () => Promise<string>): Promise<string> {
  const folder = join(tmpdir(), `passweave-test-chromium-143-${process.getuid?.() ?? 0}`);
  if (existsSync(folder)) return folder;
  const own = mkdtempSync(`${folder}-`);
  const before = { TMPDIR: process.env['TMPDIR'], AWS_EXECUTION_ENV: process.env['AWS_EXECUTION_ENV'] };
  // The package unpacks to the temp folder, and its libraries only where it takes the machine for a bare one.
  Object.assign(process.env, { TMPDIR: own, AWS_EXECUTION_ENV: 'nodejs20.x' });
  try {
    await unpack();
  } finally {
    for (const [name, value] of Object.entries(before)) {
      if (value === undefined) delete process.env[name];
      else process.env[name] = value;
    }
  }
  try {
    renameSync(own, folder);
  } catch {
    rmSync(own, { recursive: true, force: true });
  }
  return folder;
}

/** The loader refuses to start a program that lacks a library. */
function lacksLibraries(executable: string): boolean {
  return spawnSync(executable, ['--version'], { timeout: 20_000 }).status !== 0;
}
