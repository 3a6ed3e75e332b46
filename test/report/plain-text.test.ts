import fc from 'fast-check';
import { describe, expect, test } from 'vitest';
import { plainText, textWidth } from '../../src/report/plain-text.js';
import { hostileLetters, hostileText } from '../support/hostile-report.js';

describe('plain text', () => {
  // Sequences as ECMA-48 defines them: CSI (5.4), control strings (5.6), other escapes (5.3), 7-bit and 8-bit forms.
  test.each([
    ['colour', 'a\x1b[31;1mb\x1b[0mc', 'abc'],
    ['8-bit control sequence', 'a\x9b2Jb', 'ab'],
    ['window title ended by BEL', 'a\x1b]0;owned\x07b', 'ab'],
    ['window title ended by ST', 'a\x1b]0;owned\x1b\\b', 'ab'],
    ['device control string, 8 bit', 'a\x90q\x9cb', 'ab'],
    ['reset', 'a\x1bcb', 'ab'],
    ['character set', 'a\x1b(0b', 'ab'],
    ['a sequence put together by removing another', 'a\x1b\x1b[m[2Jb', 'a[2Jb'],
    ['an unfinished sequence', 'a\x1b[12', 'a12'],
    ['line feeds and tabs', 'a\r\n\tb\u2028c', 'a b c'],
    ['direction overrides', 'gpj.\u202eexe\u202c\u2066x', 'gpj.exex'],
    ['zero width characters and the byte order mark', 'a\u200bb\ufeffc\u00add', 'abcd'],
    ['half of a surrogate pair', 'a\ud83db', 'a\ufffdb'],
    ['an accent with its letter', 'e\u0301', '\u00e9'],
    ['an accent without a letter', '\u0301x', '\u25cc\u0301x'],
    ['a heap of accents', `x${'\u0323'.repeat(40)}`, `x${'\u0323'.repeat(4)}`],
  ])('%s', (_, text, plain) => {
    expect(plainText(text, 80)).toBe(plain);
  });

  // East_Asian_Width of Unicode Standard Annex #11 (EastAsianWidth.txt): W and F take two columns, others one; marks none.
  test.each([
    ['limb', 4],
    ['空', 2],
    ['한', 2],
    ['ア', 2],
    ['ｱ', 1], // half-width katakana: H
    ['Ａ', 2], // full-width Latin: F
    ['é', 1],
    ['x\u0323', 1],
    ['\u05e9\u05b8', 1], // Hebrew letter and point
    ['🛰', 1], // neutral: text style by default
    ['🚀', 2],
    ['𠀋', 2],
    ['…', 1],
  ])('%s takes %i columns', (text, width) => {
    expect(textWidth(text)).toBe(width);
  });

  test('is cut to the width with …, never through a wide character or off its accents', () => {
    expect(plainText('limb-0007.jpg', 13)).toBe('limb-0007.jpg');
    expect(plainText('limb-0007.jpg', 8)).toBe('limb-00…');
    expect(plainText('夜光雲.jpg', 6)).toBe('夜光…');
    expect(plainText('夜光雲.jpg', 5)).toBe('夜光…');
    expect(plainText('夜光雲.jpg', 4)).toBe('夜…');
    expect(plainText('ax\u0323bcd', 3)).toBe('ax\u0323…');
    expect(plainText('abc', 1)).toBe('…');
    expect(plainText('abc', 0)).toBe('');
  });

  test('keeps the readable part of a hostile name', () => {
    expect(plainText(hostileText, 200)).toBe(`${hostileLetters}gpj.exe`);
  });

  test('whatever comes in, nothing invisible comes out and the width holds', () => {
    const nasty = fc.string({
      unit: fc.oneof(
        fc.constantFrom('\x1b', '[', ']', 'm', '\x9b', '\x07', '\u202e', '\u0301', '空', '\ud800'),
        fc.string(),
      ),
    });
    fc.assert(
      fc.property(nasty, fc.integer({ min: 0, max: 40 }), (text, width) => {
        const plain = plainText(text, width);
        expect(plain).not.toMatch(/[\p{Cc}\p{Cf}\p{Cs}\u2028\u2029]/u);
        expect(textWidth(plain)).toBeLessThanOrEqual(width);
      }),
    );
  });

  test('a long row of unfinished escape codes takes no long time', () => {
    const started = performance.now();
    for (const start of ['\x1b]', '\x9d', '\x1b[', '\x9b', '\x1b[0;', '\x1b ']) plainText(start.repeat(200_000), 80);
    expect(performance.now() - started).toBeLessThan(5_000);
  });
});
