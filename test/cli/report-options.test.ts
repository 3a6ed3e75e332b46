// How recover, merge and report print and what they write on demand, through the built command line.
import fs from 'node:fs';
import os from 'node:os';
import path from 'node:path';
import { fileURLToPath } from 'node:url';
import { afterAll, beforeAll, expect, test } from 'vitest';
import { passweave } from '../support/run.js';

const campaign = fileURLToPath(new URL('../../samples/dotterel', import.meta.url));
const work = fs.mkdtempSync(path.join(os.tmpdir(), 'passweave-test-'));
const out = path.join(work, 'out');
const sheet = (folder: string): boolean => fs.existsSync(path.join(folder, 'contact-sheet.png'));

let printed: string;

beforeAll(() => {
  ({ stdout: printed } = passweave(
    'recover',
    path.join(campaign, 'recordings'),
    '--mission',
    path.join(campaign, 'mission.yaml'),
    '--out',
    out,
  ));
});
afterAll(() => fs.rmSync(work, { recursive: true, force: true }));

test('the page and its program come with a run, the contact sheet only where it is asked for', () => {
  const page = fs.readFileSync(path.join(out, 'report.html'), 'utf8');
  expect(page).toContain('<script type="module">');
  expect(sheet(out)).toBe(false);
  expect(passweave('report', out, '--contact-sheet').code).toBe(0);
  expect(sheet(out)).toBe(true);
  const merged = path.join(work, 'merged');
  expect(passweave('merge', out, '--out', merged, '--contact-sheet').code).toBe(0);
  expect(sheet(merged)).toBe(true);
});

test('--format markdown prints Markdown on stdout, terminal and the default the same summary', () => {
  const { stdout, code } = passweave('report', out, '--format', 'markdown');
  expect(code).toBe(0);
  expect(stdout).toMatch(/^## Dotterel: coverage\n[\s\S]*^\| partial \| `limb-0101\.jpg` \|/m);
  expect(passweave('report', out, '--format', 'terminal').stdout).toBe(printed);
});

test('a form that there is not, or two at once, is one clear error', () => {
  const wrong = passweave('report', out, '--format', 'paper');
  expect([wrong.code, wrong.stdout]).toEqual([1, '']);
  expect(wrong.stderr).toContain('Allowed choices are terminal, markdown.');
  const both = passweave('report', out, '--format', 'markdown', '--json');
  expect([both.code, both.stdout]).toEqual([1, '']);
  expect(both.stderr).toContain("'--json'");
});
