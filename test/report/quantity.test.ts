import { expect, test } from 'vitest';
import { counted, perCent, rangesTotal, rangeText, sizeText } from '../../src/report/quantity.js';

// SI prefixes: k = 10^3, M = 10^6, G = 10^9, T = 10^12 (BIPM, The International System of Units, table 7).
test.each([
  [0, '0 B'],
  [999, '999 B'],
  [1000, '1 kB'],
  [31_904, '31.9 kB'],
  [999_499, '999 kB'],
  [999_500, '1 MB'],
  [1_048_576, '1.05 MB'],
  [2_900_512, '2.9 MB'],
  [3e9, '3 GB'],
  [2.5e12, '2.5 TB'],
  [null, 'unknown'],
])('%s bytes are written %s', (bytes, text) => {
  expect(sizeText(bytes).replace('\u00a0', ' ')).toBe(text);
});

test.each([
  [0, 10, '0 %'],
  [1, 100_000, '<0.1 %'],
  [1, 3, '33.3 %'],
  [99_999, 100_000, '99.9 %'],
  [100_000, 100_000, '100 %'],
  [0, 0, '–'],
])('%i of %i is %s: a share never looks complete while something is missing', (part, whole, text) => {
  expect(perCent(part, whole).replace('\u00a0', ' ')).toBe(text);
});

test('ranges are inclusive', () => {
  expect(rangeText([12, 40])).toBe('12–40');
  expect(rangeText([7, 7])).toBe('7');
  expect(
    rangesTotal([
      [12, 40],
      [7, 7],
    ]),
  ).toBe(30);
  expect(counted(1, 'range')).toBe('1 range');
  expect(counted(1066, 'segment')).toBe('1,066 segments');
});
