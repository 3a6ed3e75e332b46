// Mission files whose last layer delivers the files itself: no frame, no descriptor; the JSON Schema says the same.
import { Ajv2020 } from 'ajv/dist/2020.js';
import { describe, expect, test } from 'vitest';
import { parse } from 'yaml';
import { z } from 'zod';
import type { MissionFileError } from '../../src/errors.js';
import { parseMission } from '../../src/mission/mission-file.js';
import { missionSchema } from '../../src/mission/schema.js';
import { transactionFile } from '../../src/mission/segmentation.js';
import { example, exampleWith } from './example.js';

const plain = `mission: Dotterel
layers:
  - { cadu: { length: 1119 } }
  - { packets: { apid: 5 } }
  - { cfdp: { crc: required } }
files:
  catalogue:
    - { transaction: [1, 42], name: limb-0007.jpg }
`;
// ajv (a JSON Schema validator from the registry) is the outside judge of what editors accept.
const accepts = new Ajv2020({ strict: false }).compile(z.toJSONSchema(missionSchema, { io: 'input' }));
const frame = example.slice(example.indexOf('frame:'), example.indexOf('files:'));

function problems(text: string): string[] {
  try {
    parseMission(text, 'm.yaml');
    return [];
  } catch (error) {
    return (error as MissionFileError).problems.map(({ line, column, message }) => `${line}:${column}: ${message}`);
  }
}

test('a file delivery needs no frame, and names files by transaction', () => {
  const mission = parseMission(plain, 'm.yaml');
  expect('frame' in mission).toBe(false);
  expect(mission.files.catalogue).toEqual([
    { file: transactionFile(1, 42), transaction: [1, 42], name: 'limb-0007.jpg' },
  ]);
  expect(accepts(parse(plain)), JSON.stringify(accepts.errors)).toBe(true);
  expect(parseMission('mission: D\nlayers: [cfdp]\n', 'm.yaml').layers).toEqual([{ name: 'cfdp', options: {} }]);
});

describe('a mistake is told where it is:', () => {
  test.each([
    [
      'a frame beside a file delivery',
      plain + frame,
      ["10:3: frame: with the layer cfdp files are not in frames of the mission's own; expected no frame"],
    ],
    [
      'a descriptor beside a file delivery',
      plain.replace('files:\n', 'files:\n  descriptor: { file: 0 }\n'),
      [
        '7:15: files.descriptor: with the layer cfdp names, sizes and checksums come with the files; expected no descriptor',
      ],
    ],
    [
      'a file delivery that is not the last layer',
      plain.replace('layers:\n', 'layers:\n  - cfdp\n'),
      ['3:5: layers[0]: cfdp delivers the files; expected it as the last layer'],
    ],
    [
      'neither frame nor file delivery',
      plain.replace('cfdp: { crc: required }', 'aos: {}'),
      ["1:1: frame: missing; expected the mission's own frame (length, fields, payload, crc)"],
    ],
    [
      'no frame, beside another mistake',
      plain.replace('cfdp: { crc: required }', 'aos: {}').replace('mission: Dotterel', 'mission: ""'),
      [
        "1:1: frame: missing; expected the mission's own frame (length, fields, payload, crc)",
        '1:10: mission: expected the name of the mission; found ""',
      ],
    ],
    [
      'a transaction that is none',
      plain.replace('[1, 42]', '[1]'),
      [
        '8:22: files.catalogue[0].transaction: expected a transaction such as [1, 42]: source entity and sequence number; found a list of 1',
      ],
    ],
    [
      'a file number and a transaction',
      plain.replace('transaction:', 'file: 3, transaction:'),
      ['8:15: files.catalogue[0].file: expected either file or transaction; found both'],
    ],
    [
      'a transaction in two entries',
      `${plain}    - { transaction: [1, 42], bytes: 3 }\n`,
      [
        '9:22: files.catalogue[1].transaction: transaction [1, 42] is in the catalogue already; expected each transaction once',
      ],
    ],
    [
      'a transaction where frames have file numbers',
      exampleWith(['file: 7', 'transaction: [1, 7]']),
      ['22:22: files.catalogue[0].transaction: only the layer cfdp has transactions; expected file'],
    ],
  ])('%s', (_, text, expected) => {
    expect(problems(text)).toEqual(expected);
  });
});

test.each([
  ['a frame beside a file delivery', plain + frame],
  ['neither frame nor file delivery', plain.replace('cfdp: { crc: required }', 'aos: {}')],
  ['neither file number nor transaction', plain.replace('transaction: [1, 42], ', '')],
])('the JSON Schema refuses %s', (_, text) => {
  expect(accepts(parse(text))).toBe(false);
});
