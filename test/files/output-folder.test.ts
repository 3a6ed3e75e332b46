import fs from 'node:fs';
import os from 'node:os';
import path from 'node:path';
import { expect, onTestFinished, test } from 'vitest';
import { OutputFolder } from '../../src/files/output-folder.js';

const scratch = (): OutputFolder => {
  const root = fs.mkdtempSync(path.join(os.tmpdir(), 'output-'));
  onTestFinished(() => fs.rmSync(root, { recursive: true, force: true }));
  return new OutputFolder(root);
};

test('a file appears under its name only when it is whole', () => {
  const folder = scratch();
  folder.write('files/a', (write) => {
    write(Buffer.from('one '));
    expect(fs.existsSync(folder.resolve('files/a'))).toBe(false);
    write(Buffer.from('two'));
  });
  expect(fs.readFileSync(folder.resolve('files/a'), 'utf8')).toBe('one two');
  expect(fs.readdirSync(folder.root, { recursive: true }).sort()).toEqual(['files', 'files/a', 'partial', 'salvage']);
});

test('files may be called as temporary ones often are', () => {
  const folder = scratch();
  for (const name of ['files/a.part', 'files/a', 'files/a.tmp', 'files/a.new']) folder.writeText(name, name);
  expect(fs.readdirSync(folder.resolve('files')).sort()).toEqual(['a', 'a.new', 'a.part', 'a.tmp']);
});

test('a write that fails leaves what was there before, and nothing else under that name', () => {
  const folder = scratch();
  folder.writeText('files/a', 'old');
  const failing = () =>
    folder.write('files/a', (write) => {
      write(Buffer.from('new'));
      throw new Error('disk full');
    });
  expect(failing).toThrow('disk full');
  expect(fs.readFileSync(folder.resolve('files/a'), 'utf8')).toBe('old');
  expect(fs.readdirSync(folder.root, { recursive: true }).sort()).toEqual(['files', 'files/a', 'partial', 'salvage']);
});

test.each(['../x', 'files/../../x', '/etc/x', '', '.'])('%j is refused: it is not inside the folder', (relative) => {
  expect(() => scratch().resolve(relative)).toThrow(RangeError);
});

test('only files have a size', () => {
  const folder = scratch();
  folder.writeText('files/a', 'abc');
  expect(['files/a', 'files/b', 'files'].map((relative) => folder.sizeOf(relative))).toEqual([3, -1, -1]);
});

test('of an earlier run only what was written then and is not written now is removed', () => {
  const folder = scratch();
  for (const name of ['files/a', 'partial/b', 'files/mine']) folder.writeText(name, name);
  folder.removeStale(['files/a', 'partial/b', 'partial/gone'], new Set(['files/a']));
  expect(['files/a', 'partial/b', 'files/mine'].map((relative) => folder.sizeOf(relative))).toEqual([7, -1, 10]);
});

test('a list of written files that names something outside removes nothing there', () => {
  const folder = scratch();
  const outside = path.join(folder.root, '..', `${path.basename(folder.root)}-outside`);
  fs.writeFileSync(outside, '');
  onTestFinished(() => fs.rmSync(outside));
  expect(() => folder.removeStale([`../${path.basename(outside)}`], new Set())).toThrow(RangeError);
  expect(fs.existsSync(outside)).toBe(true);
});
