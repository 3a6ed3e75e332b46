// Rules: Microsoft's naming rules for Windows files (device names, characters), Unicode annex 9 and 15; all from memory.
import { resolve, sep, win32 } from 'node:path';
import fc from 'fast-check';
import { describe, expect, test } from 'vitest';
import { safeName, uniqueNames } from '../../src/files/safe-name.js';

const nasty = fc.array(
  fc.oneof(
    fc.constantFrom(
      '/',
      '\\',
      '.',
      '..',
      ' ',
      '\0',
      ':',
      '\u202e',
      '\u200b',
      'con',
      'NUL',
      'Com1',
      '.jpg',
      'e\u0301',
      '\u0301',
      '\ud800',
    ),
    fc.string({ unit: 'binary', maxLength: 5 }),
    fc.string({ unit: 'grapheme', maxLength: 90 }),
  ),
  { maxLength: 12 },
);
const names = nasty.map((parts) => parts.join(''));

test.each([
  ['limb-0007.jpg', 'limb-0007.jpg'],
  ['a/b.jpg', 'b.jpg'],
  ['..\\..\\boot.ini', 'boot.ini'],
  ['../../etc/passwd', 'passwd'],
  ['/', 'spare'],
  ['..', 'spare'],
  ['', 'spare'],
  [undefined, 'spare'],
  ['\0\x07', 'spare'],
  ['.hidden.png', 'hidden.png'],
  ['sail. . ', 'sail'],
  ['CON', '_CON'],
  ['nul.tar.gz', '_nul.tar.gz'],
  ['com¹.jpg', '_com¹.jpg'],
  ['aux .txt', '_aux .txt'],
  ['console.txt', 'console.txt'],
  ['a<b>c:"d|e?f*.png', 'a_b_c__d_e_f_.png'],
  ['limb\u202egpj.exe', 'limbgpj.exe'],
  ['cafe\u0301.jpg', 'caf\u00e9.jpg'],
])('%j becomes %j', (name, expected) => {
  expect(safeName(name, 'spare')).toBe(expected);
});

test('a long name is cut between code points and keeps its extension', () => {
  const name = safeName(`${'\u{1f6f0}'.repeat(60)}.jpeg`, 'spare');
  expect(name).toBe(`${'\u{1f6f0}'.repeat(28)}.jpeg`);
});

test('a device name that only the cut uncovers is defused too', () => {
  expect(safeName(`con${' '.repeat(200)}x.jpg`, 'spare')).toBe('_con.jpg');
});

test('a fallback of which nothing is left gives a name all the same', () => {
  expect(safeName('..', '../..')).toBe('file');
});

describe('whatever the name', () => {
  test('the result is one component that stays inside its folder', () => {
    fc.assert(
      fc.property(names, names, (name, fallback) => {
        const safe = safeName(name, fallback);
        expect(resolve('/out', safe)).toBe(`${sep}out${sep}${safe}`);
        expect(win32.resolve('C:\\out', safe)).toBe(`C:\\out\\${safe}`);
        expect(safe).toBe(safe.normalize('NFC'));
        expect(safe).not.toMatch(/[\p{Cc}\p{Cf}\p{Cs}<>:"|?*/\\]|^[.\s]|[.\s]$|^$/u);
        expect(safe).not.toMatch(/^(con|prn|aux|nul|com[0-9¹²³]|lpt[0-9¹²³]) *(\.|$)/i);
        expect(Buffer.byteLength(safe)).toBeLessThanOrEqual(120);
      }),
      { numRuns: 2000, seed: 94 },
    );
  });

  test('making a safe name safe changes nothing', () => {
    fc.assert(
      fc.property(names, (name) => {
        const safe = safeName(name, 'spare');
        expect(safeName(safe, 'other')).toBe(safe);
      }),
      { numRuns: 2000, seed: 94 },
    );
  });

  test('names are unique ignoring case, safe, and the same in any order', () => {
    const few = fc.constantFrom(
      'a.jpg',
      'A.JPG',
      'a (2).jpg',
      'a (2) (2).jpg',
      'b',
      'B',
      'stra\u00dfe',
      'STRASSE',
      `${'x'.repeat(116)}.jpg`,
    );
    const wanted = fc.uniqueArray(fc.record({ key: fc.string(), name: few }), {
      selector: ({ key }) => key,
      maxLength: 30,
    });
    fc.assert(
      fc.property(wanted, (list) => {
        const result = uniqueNames(list);
        expect(new Set([...result.values()].map((name) => name.toUpperCase())).size).toBe(list.length);
        for (const name of result.values()) expect(safeName(name, 'spare')).toBe(name);
        const other = uniqueNames([...list].reverse());
        expect([...other].sort()).toEqual([...result].sort());
      }),
      { seed: 94 },
    );
  });
});

test('the smaller key keeps the name, the others are numbered before the extension', () => {
  const wanted = ['7.2', '7', '8'].map((key) => ({ key, name: key === '8' ? 'LIMB.jpg' : 'limb.jpg' }));
  expect(Object.fromEntries(uniqueNames(wanted))).toEqual({
    '7': 'limb.jpg',
    '7.2': 'limb (2).jpg',
    '8': 'LIMB (3).jpg',
  });
});
