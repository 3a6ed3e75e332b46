import { Ajv2020 } from 'ajv/dist/2020.js';
import { describe, expect, test } from 'vitest';
import { parse } from 'yaml';
import { z } from 'zod';
import { missionSchema } from '../../src/mission/schema.js';
import { example, exampleWith } from './example.js';

// ajv (a JSON Schema validator from the registry) is the outside judge: it sees the YAML as an editor does, numbers and all.
const accepts = new Ajv2020({ strict: false }).compile(z.toJSONSchema(missionSchema, { io: 'input' }));

describe('the JSON Schema for editors', () => {
  test('accepts the example of the design', () => {
    expect(accepts(parse(example)), JSON.stringify(accepts.errors)).toBe(true);
  });

  test('accepts hexadecimal that YAML reads as a number', () => {
    expect(accepts(parse(exampleWith(['1ACFFC1D', '12345678'], ['1a2b3c4d', '00112233'])))).toBe(true);
  });

  test('accepts a CRC by parameters and layers with options', () => {
    const text = exampleWith(
      ['name: CRC-16/IBM-3740', 'width: 16, poly: 1021, init: FFFF, reflected: false, xorout: 0'],
      ['- stream', '- ts: {pid: 0x101}'],
    );
    expect(accepts(parse(text)), JSON.stringify(accepts.errors)).toBe(true);
  });

  test('accepts parameter sets of clips', () => {
    const sets = 'parameterSets: ["Z0IACpZTBYmI,aMljiA=="]';
    expect(accepts(parse(exampleWith(['  descriptor: { file: 0 }', `  ${sets}`])))).toBe(true);
    expect(accepts(parse(exampleWith(['  descriptor: { file: 0 }', '  parameterSets: 5'])))).toBe(false);
  });

  test.each<[string, string, string]>([
    ['an unknown key', '  rotation:', '  spin:'],
    ['a rate without unit', '1.9 Mbit/s', '9600'],
    ['a CRC name there is not', 'IBM-3740', 'IBM3740'],
    ['a field too wide', 'bits: 32', 'bits: 49'],
    ['both segment and offset', '    segments: {', '    offset: {'],
    ['a CRC neither named nor described', 'name: CRC-16/IBM-3740, ', ''],
    ['no layers', '\n  - dvb-s2\n  - stream', ' []'],
  ])('refuses %s', (_, from, to) => {
    expect(accepts(parse(exampleWith([from, to])))).toBe(false);
  });

  test('describes every key of the frame', () => {
    const { properties } = z.toJSONSchema(missionSchema, { io: 'input' }) as unknown as {
      properties: { frame: { properties: Record<string, { description?: string }> } };
    };
    for (const [key, value] of Object.entries(properties.frame.properties)) {
      expect(value.description, key).toBeTruthy();
    }
  });
});
