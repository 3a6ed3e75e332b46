// Guards what reviewers forget: the top level, exact versions, the public names, the direction of imports, and what must not be named.
import { execFileSync } from 'node:child_process';
import fs from 'node:fs';
import path from 'node:path';
import { fileURLToPath } from 'node:url';
import { expect, test } from 'vitest';
import * as api from '../src/index.js';

const root = fileURLToPath(new URL('..', import.meta.url));
const manifest = JSON.parse(fs.readFileSync(path.join(root, 'package.json'), 'utf8')) as Record<
  string,
  Record<string, string>
>;
const tracked = execFileSync('git', ['ls-files', '--cached', '--others', '--exclude-standard'], {
  cwd: root,
  encoding: 'utf8',
})
  .trim()
  .split('\n')
  .filter((file) => fs.existsSync(path.join(root, file)));

test('the top level holds what was agreed and nothing else', () => {
  const allowed = [
    'src',
    'test',
    'samples',
    'bin',
    'package.json',
    'package-lock.json',
    'tsconfig.json',
    'README.md',
    'DEVELOPERS.md',
    'LICENSE',
  ];
  const top = new Set(tracked.map((file) => file.split('/')[0]!).filter((name) => !name.startsWith('.')));
  expect([...top].filter((name) => !allowed.includes(name))).toEqual([]);
});

test('development tools are pinned exactly', () => {
  const loose = Object.entries(manifest['devDependencies']!).filter(([, version]) => !/^\d+\.\d+\.\d+$/.test(version));
  expect(loose).toEqual([]);
});

test('the lock file and npm settings name no registry host', () => {
  for (const file of ['package-lock.json', '.npmrc']) {
    expect(fs.readFileSync(path.join(root, file), 'utf8')).not.toMatch(/"resolved"|registry\./);
  }
});

test('the public API is the list of names that DEVELOPERS.md documents', () => {
  expect(Object.keys(api).sort()).toEqual(
    [
      'Ledger',
      'LedgerError',
      'MissionFileError',
      'RecordingError',
      'UsageError',
      'estimate',
      'inspect',
      'merge',
      'openRecordings',
      'packLedger',
      'parseMission',
      'readMissionFile',
      'recover',
      'reportAgain',
    ].sort(),
  );
});

// The folders in the order in which data flows: none imports one that stands after it.
const order = [
  'bytes',
  'network',
  'mission',
  'intake',
  'layers',
  'segments',
  'workers',
  'inspection',
  'ledger',
  'files',
  'media',
  'coverage',
  'planning',
  'report',
  'rehearsal',
  'watch',
  'cli',
  'web',
];
const everywhere = ['errors.ts'];

test('imports run one way, from bytes to report', () => {
  const wrong: string[] = [];
  for (const file of tracked.filter((name) => /^src\/.+\/.+\.ts$/.test(name))) {
    const folder = file.split('/')[1]!;
    const text = fs.readFileSync(path.join(root, file), 'utf8');
    for (const [, target] of text.matchAll(/from '(\.[^']+)\.js'/g)) {
      const resolved = path.posix.relative('src', path.posix.join(path.posix.dirname(file), `${target}.ts`));
      if (everywhere.includes(resolved)) continue;
      const toFolder = resolved.includes('/') ? resolved.split('/')[0]! : '';
      const backwards =
        toFolder === '' ? !['watch', 'cli'].includes(folder) : order.indexOf(toFolder) > order.indexOf(folder);
      const rehearsal = toFolder === 'rehearsal' && !['rehearsal', 'cli'].includes(folder);
      if (backwards || rehearsal) wrong.push(`${file} imports ${resolved}`);
    }
  }
  expect(wrong).toEqual([]);
});

test('only the modules made for it import the replaceable libraries', () => {
  const users = (library: string): string[] =>
    tracked.filter(
      (file) =>
        file.startsWith('src/') && new RegExp(`from '${library}'`).test(fs.readFileSync(path.join(root, file), 'utf8')),
    );
  expect(users('fluent-ffmpeg')).toEqual(['src/media/ffmpeg.ts']);
  expect(users('yazl')).not.toContain('src/cli/pack.ts');
});

test('every error code is explained in DEVELOPERS.md', () => {
  const codes = [...fs.readFileSync(path.join(root, 'src/errors.ts'), 'utf8').matchAll(/\| '([a-z-]+)'/g)].map(
    ([, code]) => code!,
  );
  const guide = fs.readFileSync(path.join(root, 'DEVELOPERS.md'), 'utf8');
  expect(codes.length).toBeGreaterThan(10);
  expect(codes.filter((code) => !guide.includes(`\`${code}\``))).toEqual([]);
});

test('no machine path, focused test or stub stands in the sources', () => {
  const pattern = new RegExp(
    ['/work' + '/', '/root' + '/', '\\.only' + '\\(', 'TO' + 'DO', 'FIX' + 'ME', 'not ' + 'implemented'].join('|'),
  );
  const found = tracked
    .filter(
      (file) =>
        /\.(ts|js|json|ya?ml|sh)$|^\.ci\//.test(file) &&
        file !== 'package-lock.json' &&
        !file.startsWith('test/vectors/'),
    )
    .filter((file) => pattern.test(fs.readFileSync(path.join(root, file), 'utf8')));
  expect(found).toEqual([]);
});

test('no source file grows past 400 lines', () => {
  const long = tracked
    .filter((file) => /^src\/.*\.ts$/.test(file))
    .filter((file) => fs.readFileSync(path.join(root, file), 'utf8').split('\n').length > 400);
  expect(long).toEqual([]);
});
