import { expect, test } from 'vitest';
import { coverageJson } from '../../src/report/json.js';
import { sampleReport } from '../support/sample-report.js';

/** The same value with the keys of every object in reverse. */
function reversed(value: unknown): unknown {
  if (Array.isArray(value)) return value.map(reversed);
  if (typeof value !== 'object' || value === null) return value;
  return Object.fromEntries(
    Object.entries(value)
      .reverse()
      .map(([key, item]) => [key, reversed(item)]),
  );
}

test('the text holds exactly the coverage document', async () => {
  const report = await sampleReport();
  expect(JSON.parse(coverageJson(report))).toEqual(report.coverage);
});

test('the text does not depend on the order in which keys were made', async () => {
  const report = await sampleReport();
  const other = { ...report, coverage: reversed(report.coverage) as typeof report.coverage };
  expect(Object.keys(other.coverage)[0]).toBe('notes');
  expect(coverageJson(other)).toBe(coverageJson(report));
});

test('a long list of missing ranges has one range on a line, short things stay on one, and the text ends in a newline', async () => {
  const text = coverageJson(await sampleReport());
  expect(text.endsWith('}\n')).toBe(true);
  const lines = text.split('\n');
  expect(lines.filter((line) => /^ +\[\d+, \d+\],?$/.test(line)).length).toBeGreaterThan(20);
  expect(Math.max(...lines.map((line) => line.length))).toBeLessThanOrEqual(112);
  expect(lines.length).toBeLessThan(JSON.stringify(JSON.parse(text), null, 2).split('\n').length / 2);
});

test('a document that breaks its own schema is refused', async () => {
  const report = await sampleReport();
  const broken = { ...report, coverage: { ...report.coverage, notes: undefined } };
  expect(() => coverageJson(broken as never)).toThrow(/notes/);
});
