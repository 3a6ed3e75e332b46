import { mkdtemp, rm, truncate, writeFile } from 'node:fs/promises';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { afterAll, beforeAll, describe, expect, test } from 'vitest';
import { CRC_CATALOGUE } from '../../src/bytes/crc-catalogue.js';
import { MissionFileError, UsageError } from '../../src/errors.js';
import { type MissionFileOptions, parseMission, readMissionFile } from '../../src/mission/mission-file.js';
import { example, exampleWith } from './example.js';

/** The message lines that `text` gives, or none when it is right. */
const complaints = (text: string, options?: MissionFileOptions): string[] => {
  try {
    parseMission(text, 'm.yaml', options);
    return [];
  } catch (error) {
    if (!(error instanceof MissionFileError)) throw error;
    return error.message.split('\n');
  }
};

const bigEndian = { bit: 0, endian: 'big' };

test('the example of the design is read into a typed mission', () => {
  expect(parseMission(example, 'm.yaml', { layerNames: ['dvb-s2', 'stream'] })).toEqual({
    name: 'Dotterel',
    downlink: { bitsPerSecond: 1_900_000, rotationSeconds: 94 },
    layers: [
      { name: 'dvb-s2', options: {} },
      { name: 'stream', options: {} },
    ],
    frame: {
      marker: Uint8Array.of(0x1a, 0xcf, 0xfc, 0x1d),
      length: 1004,
      fields: {
        counter: { at: 4, bits: 32, ...bigEndian },
        file: { at: 8, bits: 16, ...bigEndian },
        segment: { at: 10, bits: 24, ...bigEndian },
        segments: { at: 13, bits: 24, ...bigEndian },
        length: { at: 16, bits: 16, ...bigEndian },
      },
      payload: { at: 18, size: 984 },
      crc: { parameters: CRC_CATALOGUE['CRC-16/IBM-3740'], at: 1002, covers: [0, 1002], endian: 'big' },
    },
    files: {
      descriptor: { file: 0, format: 'csv' },
      catalogue: [
        { file: 7, name: 'limb-0007.jpg', bytes: 1048576, checksum: { algorithm: 'crc32', value: '1a2b3c4d' } },
      ],
    },
  });
});

test('what may be left out has its default', () => {
  const text = exampleWith(
    ['downlink:\n  rate: 1.9 Mbit/s\n  rotation: 94 s\n', ''],
    ['  marker: 1ACFFC1D\n', ''],
    ['    length:   { at: 16, bits: 16 }\n', ''],
    ['    segments: { at: 13, bits: 24 }\n', ''],
  ).split('files:')[0]!;
  const mission = parseMission(text, 'm.yaml');
  expect(mission.downlink).toEqual({});
  expect(mission.frame!.marker).toEqual(new Uint8Array(0));
  expect(Object.keys(mission.frame!.fields)).toEqual(['counter', 'file', 'segment']);
  expect(mission.files).toEqual({ catalogue: [] });
});

test('segments named by byte offset go with the size of the file', () => {
  const text = exampleWith(['segment:  {', 'offset:  {'], ['segments: {', 'bytes: {']);
  const { fields } = parseMission(text, 'm.yaml').frame!;
  expect(Object.keys(fields).sort()).toEqual(['bytes', 'counter', 'file', 'length', 'offset']);
});

test('things may touch, and a payload may fill its length field', () => {
  const text = exampleWith(
    ['at: 16, bits: 16', 'at: 16, bits: 9'],
    ['984', '511'],
    ['at: 1002, ', 'at: 529, '],
    ['[0, 1002]', '[0, 529]'],
    ['1004', '531'],
  );
  expect(complaints(text)).toEqual([]);
});

test('a mission file in JSON is read as well', () => {
  const json = JSON.stringify({
    mission: 'Dotterel',
    layers: ['dvb-s2'],
    frame: {
      length: 20,
      fields: { counter: { at: 0, bits: 32 }, file: { at: 4, bits: 16 }, segment: { at: 6, bits: 16 } },
      payload: { at: 8, size: 10 },
      crc: { name: 'CRC-16/IBM-3740', at: 18, covers: [0, 18] },
    },
  });
  expect(parseMission(json, 'm.json').frame!.length).toBe(20);
});

test.each([
  ['9600 bit/s', 9600],
  ['250 kbit/s', 250_000],
  ['1.1 Mbit/s', 1_100_000], // 1.1 * 1e6 is 1100000.0000000001 in floating point
  ['0.5Gbit/s', 500_000_000],
])('the rate %s is %i bits a second', (written, value) => {
  expect(parseMission(exampleWith(['1.9 Mbit/s', written]), 'm.yaml').downlink.bitsPerSecond).toBe(value);
});

test.each([
  ['94 s', 94],
  ['1.5 min', 90],
  ['0.25 s', 0.25],
])('the rotation %s is %d seconds', (written, value) => {
  expect(parseMission(exampleWith(['94 s', written]), 'm.yaml').downlink.rotationSeconds).toBe(value);
});

describe('layers', () => {
  test('options pass through as the plain values YAML gives them', () => {
    const text = exampleWith([
      '  - dvb-s2\n  - stream\n',
      '  - ts: { pid: 0x101 }\n  - udp:\n      port: 5005\n      marker: 12345678\n  - gse:\n',
    ]);
    expect(parseMission(text, 'm.yaml').layers).toEqual([
      { name: 'ts', options: { pid: 257 } },
      { name: 'udp', options: { port: 5005, marker: 12345678 } },
      { name: 'gse', options: {} },
    ]);
  });

  test('a name that is not known is fine when the known ones are not told', () => {
    expect(complaints(exampleWith(['- stream', '- strem']))).toEqual([]);
  });

  test('a name that is not known is shown where it stands, with the nearest known one', () => {
    const options = { layerNames: ['dvb-s2', 'stream', 'ts'] };
    expect(complaints(exampleWith(['- stream', '- strem']), options)).toEqual([
      'm.yaml:7:5: layers[1]: expected one of dvb-s2, stream, ts; found "strem"; did you mean "stream"?',
    ]);
    expect(complaints(exampleWith(['- stream', '- frobnicate: {a: 1}']), options)).toEqual([
      'm.yaml:7:5: layers[1]: expected one of dvb-s2, stream, ts; found "frobnicate"',
    ]);
  });
});

describe('hexadecimal that YAML would read as a number', () => {
  const custom = (crc: string): string => exampleWith(['name: CRC-16/IBM-3740', crc]);

  test.each([
    ['12345678', [0x12, 0x34, 0x56, 0x78]],
    ['00112233', [0x00, 0x11, 0x22, 0x33]],
    ['1e345678', [0x1e, 0x34, 0x56, 0x78]],
    ['0x1ACFFC1D', [0x1a, 0xcf, 0xfc, 0x1d]],
    ['"12345678"', [0x12, 0x34, 0x56, 0x78]],
    ['1234567890123456', [0x12, 0x34, 0x56, 0x78, 0x90, 0x12, 0x34, 0x56]],
  ])('marker: %s', (written, bytes) => {
    const text = exampleWith(
      ['1ACFFC1D', written],
      ['counter:  { at: 4, bits: 32 }', 'counter:  { at: 20, bits: 32 }'],
      ['file:     { at: 8,', 'file:     { at: 24,'],
      ['payload: { at: 18, size: 984 }', 'payload: { at: 26, size: 976 }'],
    );
    expect([...parseMission(text, 'm.yaml').frame!.marker]).toEqual(bytes);
  });

  test.each(['12345678', '1e345678', '00112233', '"00112233"', '0x1e345678', '1E345678'])('crc32: %s', (written) => {
    const [facts] = parseMission(exampleWith(['1a2b3c4d', written]), 'm.yaml').files.catalogue;
    expect(facts?.checksum).toEqual({ algorithm: 'crc32', value: written.replace(/"|0x/g, '').toLowerCase() });
  });

  test.each([
    ['md5', '1'.repeat(32)],
    ['sha1', `${'0'.repeat(20)}12e4${'5'.repeat(16)}`],
    ['sha256', `1e${'7'.repeat(62)}`],
  ])('%s of digits alone keeps all its digits', (algorithm, value) => {
    const text = exampleWith(['crc32: 1a2b3c4d', `${algorithm}: ${value}`]);
    expect(parseMission(text, 'm.yaml').files.catalogue[0]?.checksum).toEqual({ algorithm, value });
  });

  test('poly: 1021 means 0x1021, whether quoted or not', () => {
    for (const poly of ['1021', '"1021"', '0x1021']) {
      const crc = `width: 16, poly: ${poly}, init: FFFF, reflected: false, xorout: 0`;
      const { parameters } = parseMission(custom(crc), 'm.yaml').frame!.crc;
      expect(parameters).toEqual({ ...CRC_CATALOGUE['CRC-16/IBM-3740'], name: 'CRC-16 with polynomial 1021' });
    }
  });

  test('init and xorout of digits alone are hexadecimal too', () => {
    const crc = 'width: 32, poly: 04C11DB7, init: 00000010, reflected: true, xorout: 1e5, endian: little';
    const text = custom(crc)
      .replace('at: 1002, covers: [0, 1002]', 'at: 1002, covers: [0, 1000]')
      .replace('984', '980')
      .replace('at: 1002', 'at: 1000');
    expect(parseMission(text, 'm.yaml').frame!.crc).toMatchObject({
      parameters: { width: 32, poly: 0x04c11db7, init: 0x10, reflected: true, xorout: 0x1e5 },
      endian: 'little',
    });
  });

  test('names of digits alone are text', () => {
    const mission = parseMission(exampleWith(['Dotterel', '007'], ['limb-0007.jpg', '1e3']), 'm.yaml');
    expect(mission.name).toBe('007');
    expect(mission.files.catalogue[0]?.name).toBe('1e3');
  });
});

const crcNameList =
  'CRC-8/DVB-S2, CRC-16/IBM-3740, CRC-16/XMODEM, CRC-16/GENIBUS, CRC-16/KERMIT, CRC-16/IBM-SDLC, CRC-24/OPENPGP, CRC-32/MPEG-2, CRC-32/ISO-HDLC, CRC-32/BZIP2, CRC-32/ISCSI, CRC-32/PROXIMITY-1';
const layerForm = 'the name of a layer, or one name with its options as in {ts: {pid: 0x101}}';
const allParameters = 'width, poly, init, reflected, xorout';

const setsForm =
  'SPS and PPS of H.264, or VPS, SPS and PPS of H.265, in base64 with commas between, as sprop-parameter-sets in RFC 6184';

type Mistake = [what: string, exchanges: [from: string, to: string][], ...complaints: string[]];

const mistakes: Mistake[] = [
  // One value by itself.
  [
    'parameter sets that are not base64',
    [['  descriptor: { file: 0 }', '  parameterSets: [Z0LACpZ*]']],
    `20:19: files.parameterSets[0]: expected ${setsForm}; found: part 1 is not base64`,
  ],
  [
    'parameter sets of which one is something else',
    [['  descriptor: { file: 0 }', '  parameterSets:\n    - Z0IACpZTBYmI,ZYiEAA==']],
    `21:7: files.parameterSets[0]: expected ${setsForm}; found: part 2 is not a parameter set`,
  ],
  [
    'parameter sets without the PPS',
    [['  descriptor: { file: 0 }', '  parameterSets: [Z0IACpZTBYmI]']],
    `20:19: files.parameterSets[0]: expected ${setsForm}; found: only SPS of H.264`,
  ],
  [
    'parameter sets not in a list',
    [['  descriptor: { file: 0 }', '  parameterSets: "Z0IACpZTBYmI,aMljiA=="']],
    '20:18: files.parameterSets: expected a list, one entry for each way clips are coded; found "Z0IACpZTBYmI,aMljiA=="',
  ],
  ['a missing name', [['mission: Dotterel\n', '']], '1:1: mission: missing; expected the name of the mission'],
  [
    'a name with nothing after it',
    [[' Dotterel', '']],
    '1:1: mission: expected the name of the mission; found nothing',
  ],
  ['an unknown key', [['  rotation:', '  spin:']], '4:3: downlink.spin: unknown key; expected only rate, rotation'],
  [
    'an unknown key in a field',
    [['{ at: 8, bits: 16 }', '{ at: 8, bits: 16, bitz: 3 }']],
    '13:34: frame.fields.file.bitz: unknown key; expected only at, bits, bit, endian',
  ],
  [
    'a rate without unit',
    [['1.9 Mbit/s', '9600']],
    '3:9: downlink.rate: expected a rate above zero such as 1.9 Mbit/s; found 9600',
  ],
  [
    'a rate of zero',
    [['1.9 Mbit/s', '0.0 kbit/s']],
    '3:9: downlink.rate: expected a rate above zero such as 1.9 Mbit/s; found "0.0 kbit/s"',
  ],
  [
    'a rate in bytes',
    [['1.9 Mbit/s', '1 MB/s']],
    '3:9: downlink.rate: expected a rate above zero such as 1.9 Mbit/s; found "1 MB/s"',
  ],
  [
    'a rotation below zero',
    [['94 s', '-94 s']],
    '4:13: downlink.rotation: expected a time above zero such as 94 s or 1.5 min; found "-94 s"',
  ],
  ['no layers', [['\n  - dvb-s2\n  - stream', ' []']], '5:9: layers: expected at least one layer; found an empty list'],
  [
    'layers that are not a list',
    [['\n  - dvb-s2\n  - stream', ' dvb-s2']],
    '5:9: layers: expected a list of layers; found "dvb-s2"',
  ],
  [
    'layer options that are not indented below their layer',
    [['- stream', '- ts:\n    pid: 5']],
    `7:5: layers[1]: expected ${layerForm}; found the keys ts, pid`,
  ],
  ['a layer that is a number', [['- stream', '- 5']], `7:5: layers[1]: expected ${layerForm}; found 5`],
  [
    'a marker of an odd number of digits',
    [['1ACFFC1D', '1ACFFC1']],
    '9:11: frame.marker: expected bytes in hexadecimal such as 1ACFFC1D; found "1ACFFC1"',
  ],
  ['a length in words', [['1004', 'long']], '10:11: frame.length: expected a length of 1 byte to 1 MiB; found "long"'],
  ['a length of nothing', [['1004', '0']], '10:11: frame.length: expected a length of 1 byte to 1 MiB; found 0'],
  [
    'a missing field',
    [['    file:     { at: 8, bits: 16 }\n', '']],
    '11:3: frame.fields.file: missing; expected a field such as {at: 4, bits: 32}',
  ],
  [
    'a field without its width',
    [['{ at: 8, bits: 16 }', '{ at: 8 }']],
    '13:5: frame.fields.file.bits: missing; expected a width of 1 to 48 bits',
  ],
  [
    'a field too wide',
    [['bits: 32', 'bits: 49']],
    '12:30: frame.fields.counter.bits: expected a width of 1 to 48 bits; found 49',
  ],
  [
    'an offset below zero',
    [['at: 8,', 'at: -8,']],
    '13:21: frame.fields.file.at: expected a whole number of bytes, 0 or more; found -8',
  ],
  [
    'half a byte',
    [['at: 8,', 'at: 8.5,']],
    '13:21: frame.fields.file.at: expected a whole number of bytes, 0 or more; found 8.5',
  ],
  [
    'a bit number of 8',
    [['at: 8, bits: 16', 'at: 8, bits: 16, bit: 8']],
    '13:39: frame.fields.file.bit: expected a bit number from 0 (most significant) to 7; found 8',
  ],
  [
    'a byte order there is not',
    [['at: 8, bits: 16', 'at: 8, bits: 16, endian: middle']],
    '13:42: frame.fields.file.endian: expected one of big, little; found "middle"',
  ],
  [
    'a payload of nothing',
    [['size: 984', 'size: 0']],
    '17:28: frame.payload.size: expected a size of 1 byte or more; found 0',
  ],
  [
    'a CRC name almost right',
    [['CRC-16/IBM-3740', 'CRC-16/IBM3740']],
    `18:16: frame.crc.name: expected one of ${crcNameList}; found "CRC-16/IBM3740"; did you mean "CRC-16/IBM-3740"?`,
  ],
  [
    'a CRC name like no other',
    [['CRC-16/IBM-3740', 'parity']],
    `18:16: frame.crc.name: expected one of ${crcNameList}; found "parity"`,
  ],
  [
    'a range of one number',
    [['[0, 1002]', '[1002]']],
    '18:51: frame.crc.covers: expected the bytes covered, [first, first not covered]; found a list of 1',
  ],
  [
    'no CRC',
    [['  crc: { name: CRC-16/IBM-3740, at: 1002, covers: [0, 1002] }\n', '']],
    '8:1: frame.crc: missing; expected the CRC of the frame, such as {name: CRC-16/IBM-3740, at: 1002, covers: [0, 1002]}',
  ],
  [
    'a CRC neither named nor described',
    [['name: CRC-16/IBM-3740, ', '']],
    `18:3: frame.crc.name: missing; expected a name, or ${allParameters}`,
  ],
  [
    'a CRC described by half',
    [['name: CRC-16/IBM-3740', 'width: 16, poly: 1021, reflected: false']],
    `18:3: frame.crc.init: missing; without a name expected all of ${allParameters}`,
    `18:3: frame.crc.xorout: missing; without a name expected all of ${allParameters}`,
  ],
  [
    'a CRC named and described',
    [['CRC-16/IBM-3740', 'CRC-16/IBM-3740, poly: 1021']],
    '18:39: frame.crc.poly: the name CRC-16/IBM-3740 says this already; give either the name or parameters',
  ],
  [
    'a CRC of 12 bits',
    [['name: CRC-16/IBM-3740', 'width: 12, poly: 1021, init: 0, reflected: false, xorout: 0']],
    '18:17: frame.crc.width: expected 8, 16, 24 or 32; found 12',
  ],
  [
    'a polynomial wider than its CRC',
    [['name: CRC-16/IBM-3740', 'width: 16, poly: 11021, init: 0, reflected: false, xorout: 0']],
    '18:27: frame.crc.poly: expected at most 16 bits; found "11021"',
  ],
  [
    'a polynomial of zero',
    [['name: CRC-16/IBM-3740', 'width: 16, poly: 0, init: 0, reflected: false, xorout: 0']],
    '18:27: frame.crc.poly: expected a polynomial other than zero, which would let all damage pass; found "0"',
  ],
  [
    'a reflection in words',
    [['name: CRC-16/IBM-3740', 'width: 16, poly: 1021, init: 0, reflected: no, xorout: 0']],
    '18:53: frame.crc.reflected: expected true or false; found "no"',
  ],
  [
    'a format there is not',
    [['{ file: 0 }', '{ file: 0, format: xml }']],
    '20:34: files.descriptor.format: expected one of csv, json; found "xml"',
  ],
  [
    'a checksum too short',
    [['1a2b3c4d', '0011223']],
    '22:62: files.catalogue[0].crc32: expected 8 hexadecimal digits; found "0011223"',
  ],
  [
    'two checksums of a file',
    [['crc32: 1a2b3c4d', `crc32: 1a2b3c4d, md5: ${'a'.repeat(32)}`]],
    '22:77: files.catalogue[0].md5: a second checksum; expected one, and crc32 is given',
  ],
  [
    'an empty catalogue entry',
    [['    - { file: 7, name: limb-0007.jpg, bytes: 1048576, crc32: 1a2b3c4d }', '    - {}']],
    '22:7: files.catalogue[0].file: missing; expected a file number, 0 or more',
  ],
  [
    'a file size below zero',
    [['bytes: 1048576', 'bytes: -1']],
    '22:46: files.catalogue[0].bytes: expected a size in bytes, 0 or more; found -1',
  ],

  // Values together.
  [
    'neither segment nor offset',
    [
      ['    segment:  { at: 10, bits: 24 }\n', ''],
      ['    segments: { at: 13, bits: 24 }\n', ''],
    ],
    '11:3: frame.fields.segment: missing; expected either segment or offset',
  ],
  [
    'both segment and offset',
    [['    segments: { at: 13', '    offset:   { at: 13']],
    '15:15: frame.fields.offset: expected either segment or offset; found both',
  ],
  [
    'a number of segments without segments',
    [['segment:  {', 'offset:  {']],
    '15:15: frame.fields.segments: segments goes with segment; with offset, expected bytes (the size of the file)',
  ],
  [
    'a field over another',
    [['at: 8,', 'at: 7,']],
    '13:15: frame.fields.file: the field file at [byte 7, byte 9) overlaps the field counter at [byte 4, byte 8)',
  ],
  [
    'a field one bit over another',
    [['at: 8, bits: 16', 'at: 8, bit: 1, bits: 16']],
    '14:15: frame.fields.segment: the field segment at [byte 10, byte 13) overlaps the field file at [byte 8 bit 1, byte 10 bit 1)',
  ],
  [
    'a field over the marker',
    [['{ at: 4, bits: 32 }', '{ at: 3, bits: 32 }']],
    '12:15: frame.fields.counter: the field counter at [byte 3, byte 7) overlaps the marker at [byte 0, byte 4)',
  ],
  [
    'a payload over a field',
    [['at: 18, size: 984', 'at: 17, size: 985']],
    '17:12: frame.payload: the payload at [byte 17, byte 1002) overlaps the field length at [byte 16, byte 18)',
  ],
  [
    'a payload over the CRC',
    [['size: 984', 'size: 985']],
    '18:37: frame.crc.at: the CRC at [byte 1002, byte 1004) overlaps the payload at [byte 18, byte 1003)',
  ],
  [
    'a field outside the frame',
    [['at: 16, bits: 16', 'at: 1003, bits: 16']],
    '16:15: frame.fields.length: the field length is at [byte 1003, byte 1005); expected it inside the 1004 bytes of the frame',
  ],
  [
    'a payload outside the frame',
    [['at: 18, size: 984', 'at: 1002, size: 984']],
    '17:12: frame.payload: the payload is at [byte 1002, byte 1986); expected it inside the 1004 bytes of the frame',
  ],
  [
    'a CRC outside the frame',
    [['at: 1002', 'at: 1003']],
    '18:37: frame.crc.at: the CRC is at [byte 1003, byte 1005); expected it inside the 1004 bytes of the frame',
  ],
  [
    'a marker longer than the frame',
    [['1ACFFC1D', '1ACFFC1D'.repeat(252)]],
    '9:11: frame.marker: the marker is at [byte 0, byte 1008); expected it inside the 1004 bytes of the frame',
  ],
  [
    'little endian inside a byte',
    [['at: 8, bits: 16', 'at: 8, bits: 12, endian: little']],
    '13:42: frame.fields.file.endian: little endian is for whole bytes; found 12 bits from bit 0',
  ],
  [
    'little endian that does not start with a byte',
    [['at: 8, bits: 16', 'at: 8, bit: 4, bits: 8, endian: little']],
    '13:49: frame.fields.file.endian: little endian is for whole bytes; found 8 bits from bit 4',
  ],
  [
    'a length field too narrow for the payload',
    [['at: 16, bits: 16', 'at: 16, bits: 9']],
    '16:31: frame.fields.length.bits: expected enough bits to count a payload of 984 bytes; found 9',
  ],
  [
    'a CRC over nothing',
    [['[0, 1002]', '[5, 5]']],
    '18:51: frame.crc.covers: expected [first, first not covered]; found [5, 5]',
  ],
  [
    'a CRC over more than the frame',
    [['[0, 1002]', '[0, 1005]']],
    '18:51: frame.crc.covers: expected at most 1004, the length of the frame; found 1005',
  ],
  [
    'a CRC over itself',
    [['[0, 1002]', '[0, 1003]']],
    '18:51: frame.crc.covers: [0, 1003) covers the CRC itself, which is at [1002, 1004)',
  ],
  [
    'a file twice in the catalogue',
    [['    - {', '    - { file: 7 }\n    - {']],
    '23:15: files.catalogue[1].file: file 7 is in the catalogue already; expected each number once',
  ],
  [
    'a catalogue number that the frame cannot carry',
    [['file: 7', 'file: 65536']],
    '22:15: files.catalogue[0].file: expected a number that fits the 16-bit field file; found 65536',
  ],
  [
    'a descriptor number that the frame cannot carry',
    [['file: 0', 'file: 65536']],
    '20:23: files.descriptor.file: expected a number that fits the 16-bit field file; found 65536',
  ],

  // One bit, byte or unit over the border.
  [
    'a field whose last bit is in another',
    [
      ['at: 8, bits: 16', 'at: 10, bits: 16'],
      ['at: 10, bits: 24', 'at: 8, bits: 17'],
    ],
    '14:15: frame.fields.segment: the field segment at [byte 8, byte 10 bit 1) overlaps the field file at [byte 10, byte 12)',
  ],
  [
    'a CRC over its own last byte',
    [['[0, 1002]', '[1003, 1004]']],
    '18:51: frame.crc.covers: [1003, 1004) covers the CRC itself, which is at [1002, 1004)',
  ],
  [
    'a length field one short of the payload',
    [
      ['at: 16, bits: 16', 'at: 16, bits: 9'],
      ['984', '512'],
    ],
    '16:31: frame.fields.length.bits: expected enough bits to count a payload of 512 bytes; found 9',
  ],

  // YAML itself.
  ['a key given twice', [['  rotation:', '  rate:']], '4:3: this key stands here a second time; keep one'],
  ['an alias', [['94 s', '*turn']], '4:13: *turn: write the value out; aliases are not used here'],
  [
    'a second document',
    [['files:', '---\nfiles:']],
    '19:1: a second document begins here; expected one mission in a file',
  ],
];

describe('a mistake is shown at its line and column:', () => {
  test.each(mistakes.map(([what, exchanges, ...lines]) => ({ what, exchanges, lines })))(
    '$what',
    ({ exchanges, lines }) => {
      expect(complaints(exampleWith(...exchanges))).toEqual(lines.map((line) => `m.yaml:${line}`));
    },
  );

  test('all mistakes of a file in its order', () => {
    expect(
      complaints(exampleWith(['94 s', 'slow'], ['at: 8,', 'at: x,'], ['984', 'x'])).map((line) => line.split(': ')[0]),
    ).toEqual(['m.yaml:4:13', 'm.yaml:13:21', 'm.yaml:17:28']);
  });

  test('an empty file', () => {
    const line = 'm.yaml:1:1: expected a mission file (mission, downlink, layers, frame, files); found nothing';
    expect(complaints('')).toEqual([line]);
    expect(complaints('# nothing yet\n')).toEqual([line]);
  });

  test('a bracket that is not closed', () => {
    const [line, ...more] = complaints('mission: a\nlayers: [');
    expect(line).toMatch(/^m\.yaml:2:10: not readable as YAML: /);
    expect(more).toEqual([]);
  });

  test('the error carries line and column as numbers', () => {
    try {
      parseMission(exampleWith(['94 s', '94']), 'm.yaml');
      expect.unreachable();
    } catch (error) {
      expect((error as MissionFileError).problems).toEqual([
        {
          line: 4,
          column: 13,
          message: 'downlink.rotation: expected a time above zero such as 94 s or 1.5 min; found 94',
        },
      ]);
    }
  });

  test('a byte order mark takes no column', () => {
    expect(complaints(`\uFEFF${exampleWith(['mission: Dotterel', 'mission: []'])}`)[0]).toMatch(/^m\.yaml:1:10: /);
  });

  test('lines that end in CR LF count as one', () => {
    expect(complaints(exampleWith(['94 s', '94']).replaceAll('\n', '\r\n'))[0]).toMatch(/^m\.yaml:4:13: /);
  });
});

describe('readMissionFile', () => {
  let folder: string;
  beforeAll(async () => {
    folder = await mkdtemp(join(tmpdir(), 'mission-'));
  });
  afterAll(() => rm(folder, { recursive: true }));

  test('reads a file and names it in its messages', async () => {
    const path = join(folder, 'm.yaml');
    await writeFile(path, example);
    expect((await readMissionFile(path)).name).toBe('Dotterel');
    await expect(readMissionFile(path, { layerNames: ['stream'] })).rejects.toThrow(
      `${path}:6:5: layers[0]: expected one of stream`,
    );
  });

  test('a file that is not there is a mistake of usage', async () => {
    const path = join(folder, 'none.yaml');
    const reading = readMissionFile(path);
    await expect(reading).rejects.toThrow(UsageError);
    await expect(reading).rejects.toThrow(`${path}: expected a mission file, but there is no such file`);
  });

  test('a folder is a mistake of usage', async () => {
    const reading = readMissionFile(folder);
    await expect(reading).rejects.toThrow(UsageError);
    await expect(reading).rejects.toThrow('but it is a folder');
  });

  test('a recording given as the mission file is refused unread', async () => {
    const path = join(folder, 'pass.bin');
    await writeFile(path, '');
    await truncate(path, 2 ** 40);
    const reading = readMissionFile(path);
    await expect(reading).rejects.toThrow(UsageError);
    await expect(reading).rejects.toThrow('is it a recording?');
  });
});
