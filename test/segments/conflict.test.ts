// Editions told from conflicts, on hand-made receptions: each letter is one content, one column one moment.
import fc from 'fast-check';
import { describe, expect, test } from 'vitest';
import { type ContentReception, findEditions } from '../../src/segments/conflict.js';

/**
 * One row for each segment: the contents received of it, a letter at its moment, `.` where nothing came. Segment 0 comes first
 * within a moment, as in a carousel.
 */
const receptions = (...rows: readonly string[]): ContentReception[] =>
  rows.flatMap((row, key) =>
    [...row].flatMap((letter, moment) =>
      letter === '.' ? [] : [{ order: moment * 100 + key, key, content: letter.charCodeAt(0) + 256 * key }],
    ),
  );

/** In which edition (from 0) each moment's first segment lies. */
const editionsOf = (rows: readonly string[]): string => {
  const editions = findEditions(receptions(...rows));
  return [...rows[0]!]
    .map((_, moment) => {
      const at = editions.findIndex((spans) =>
        spans.some((from, i) => i % 2 === 0 && moment * 100 >= from && moment * 100 < spans[i + 1]!),
      );
      return String(at);
    })
    .join('');
};

describe('one edition', () => {
  test.each([
    ['a file that never changes', ['AAAA', 'AAAA', 'AA.A']],
    ['one accident in one segment', ['AAAA', 'ABAA', 'AAAA']],
    ['accidents in several segments', ['ABAA', 'AABA', 'ACAA', 'AAAA']],
    ['an accident in a file of one segment', ['AABAA']],
    ['an accident in a file of one segment, heard last', ['AAAB']],
    ['an accident in a file of one segment, heard first', ['BAAA']],
    ['an accident in the last reception of one segment of many', ['AAAA', 'AAAB', 'AAAA', 'AAAA']],
    ['one segment of many that changed on board', ['AAAA', 'AABB', ...Array(20).fill('AAAA')]],
  ])('%s', (_, rows) => {
    expect(editionsOf(rows)).toBe('0'.repeat(rows[0]!.length));
  });

  test('no reception at all', () => {
    expect(findEditions([])).toHaveLength(1);
  });
});

describe('a file number used again', () => {
  test.each([
    ['all segments change', ['AABB', 'AABB', 'AABB'], '0011'],
    ['some segments stay the same', ['AABB', 'AAAA', 'AAAA', 'AABB', 'AAAA'], '0011'],
    ['what stations heard of it has holes', ['A.BB', '.AB.', 'A..B', 'AABB', '.A.B'], '0011'],
    ['three editions', ['AABBCC', 'AABBCC', 'AAB.CC'], '001122'],
    ['three editions, of which one segment missed the middle one', ['AABBCC', 'AABBCC', 'AA..CC'], '001122'],
    ['a file of one segment', ['AABBB'], '00111'],
    ['a file of two segments, one of which stays', ['AABB', 'AAAA'], '0011'],
    ['a change and accidents at once', ['AABXB', 'AYABB', 'AABBB', 'AABBB'], '00111'],
    ['an accident just at the change', ['AAXBB', 'AABBB', 'AABBB'], '00111'],
    ['an accident in a file of one segment before it changes', ['AXABBB'], '000111'],
    ['an old content that comes back', ['AABBAA', 'AABBAA', 'AABBAA'], '001100'],
  ])('%s', (_, rows, expected) => {
    expect(editionsOf(rows).replaceAll('-', '')).toBe(expected);
  });
});

test('the order of the receptions given changes nothing', () => {
  const given = receptions('AABXBCC', 'AAABBCC', 'A.BBBC.', 'AAAAACC');
  const expected = findEditions(given);
  fc.assert(
    fc.property(fc.shuffledSubarray(given, { minLength: given.length }), (shuffled) => {
      expect(findEditions(shuffled)).toEqual(expected);
    }),
  );
});

test('editions together cover all time, once', () => {
  const spans = findEditions(receptions('AABBAACC', 'AABBAACC', 'AABBAACC')).flat();
  const pairs = spans.flatMap((from, i) => (i % 2 === 0 ? [[from, spans[i + 1]!] as const] : []));
  pairs.sort((a, b) => a[0] - b[0]);
  expect(pairs[0]![0]).toBe(Number.NEGATIVE_INFINITY);
  expect(pairs.at(-1)![1]).toBe(Number.POSITIVE_INFINITY);
  pairs.slice(1).forEach(([from], i) => {
    expect(from).toBe(pairs[i]![1]);
  });
});
