// The published schema of coverage.json, judged by another validator (ajv, JSON Schema draft 2020-12).
import { Ajv2020 } from 'ajv/dist/2020.js';
import { beforeAll, describe, expect, test } from 'vitest';
import { z } from 'zod';
import type { Coverage } from '../../src/coverage/coverage.js';
import { coverageSchema } from '../../src/report/coverage-schema.js';
import { coverageJson } from '../../src/report/json.js';
import { sampleReport } from '../support/sample-report.js';

const schema = z.toJSONSchema(coverageSchema, { io: 'input' });
const validate = new Ajv2020({ strict: true, strictTuples: true }).compile(schema);
let sample: Coverage;
beforeAll(async () => {
  sample = (await sampleReport()).coverage;
});

describe('the JSON Schema of coverage.json', () => {
  test('accepts what the report writes', async () => {
    const written: unknown = JSON.parse(coverageJson(await sampleReport()));
    expect(validate(written), JSON.stringify(validate.errors)).toBe(true);
  });

  test.each<[string, (document: Coverage) => void]>([
    ['another format', (document) => Object.assign(document, { format: 'passweave-coverage/2' })],
    ['a state that does not exist', (document) => Object.assign(document.files[0]!, { state: 'done' })],
    ['a negative count', (document) => Object.assign(document.stations[0]!.frames, { lost: -1 })],
    ['a fraction of a segment', (document) => Object.assign(document.files[0]!.segments, { received: 1.5 })],
    ['a range of one number', (document) => Object.assign(document.files[0]!.segments, { missing: [[3]] })],
    ['a range of three numbers', (document) => Object.assign(document.files[0]!.segments, { missing: [[3, 4, 5]] })],
    ['an unknown key', (document) => Object.assign(document.totals, { megabytes: 1 })],
    ['a text in place of a number', (document) => Object.assign(document.files[0]!.stations, { highfell: '3' })],
    [
      'a picture without its size',
      (document) => Object.assign(document.files[0]!, { media: { kind: 'picture', format: 'JPEG' } }),
    ],
    ['edition 0', (document) => Object.assign(document.files[0]!, { edition: 0 })],
    ['a missing key', (document) => Reflect.deleteProperty(document.files[0]!, 'salvage')],
  ])('refuses %s, and so does the schema it comes from', (_, spoil) => {
    const wrong = structuredClone(sample);
    expect(validate(wrong)).toBe(true);
    spoil(wrong);
    expect(validate(wrong)).toBe(false);
    expect(coverageSchema.safeParse(wrong).success).toBe(false);
  });

  test('describes every field', () => {
    const bare: string[] = [];
    const walk = (node: unknown, path: string): void => {
      if (typeof node !== 'object' || node === null) return;
      for (const [name, field] of Object.entries((node as { properties?: object }).properties ?? {})) {
        const constant = 'const' in field; // `kind` tells the alternatives apart and says so itself
        if (!('description' in field) && !constant) bare.push(`${path}.${name}`);
      }
      for (const [key, value] of Object.entries(node)) walk(value, `${path}.${key}`);
    };
    walk(schema, '');
    expect(bare).toEqual([]);
  });
});
