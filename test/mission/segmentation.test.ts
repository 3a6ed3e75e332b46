// How files are cut and transmissions counted, and the numbers that transactions get.
import fc from 'fast-check';
import { describe, expect, test } from 'vitest';
import { parseMission } from '../../src/mission/mission-file.js';
import { fileLabel, segmentation, transactionFile } from '../../src/mission/segmentation.js';
import { example, exampleWith } from './example.js';

const delivery = (layers: string) => parseMission(`mission: Dotterel\nlayers: ${layers}\n`, 'm.yaml');

describe('the segmentation', () => {
  test('of frames is what their fields say', () => {
    expect(segmentation(parseMission(example, 'm.yaml'))).toEqual({
      byOffset: false,
      payloadSize: 984,
      varies: false,
      padding: 0,
      counterBits: 32,
      frameBytes: 1004,
    });
    const plain = exampleWith(['    length:   { at: 16, bits: 16 }\n', '']);
    expect(segmentation(parseMission(plain, 'm.yaml')).padding).toBe(983);
  });

  test('of a file delivery is by offset, of any length, counted where packets of one process are right below', () => {
    expect(segmentation(delivery('[{packets: {apid: 5}}, cfdp]'))).toMatchObject({
      byOffset: true,
      varies: true,
      counterBits: 14,
    });
    expect(segmentation(delivery('[packets, cfdp]')).counterBits).toBe(0);
    expect(segmentation(delivery('[{packets: {apid: 5}}, {udp: {port: 1}}, cfdp]')).counterBits).toBe(0);
    expect(segmentation(delivery('[cfdp]')).frameBytes).toBeUndefined();
  });
});

describe('the file number of a transaction', () => {
  const id = fc.nat(2 ** 31 - 1).chain((high) => fc.nat(2 ** 17 - 1).map((low) => high * 2 ** 17 + low));

  test('is below 2^48 and always the same', () => {
    fc.assert(
      fc.property(id, id, (source, sequence) => {
        const file = transactionFile(source, sequence);
        expect(Number.isInteger(file) && file >= 0 && file < 2 ** 48).toBe(true);
        expect(transactionFile(source, sequence)).toBe(file);
      }),
    );
  });

  test('shows source and sequence number where they fit', () => {
    const mission = delivery('[cfdp]');
    expect(transactionFile(1, 42)).toBe(2 ** 32 + 42);
    expect(fileLabel(mission, transactionFile(1, 42))).toBe('1-42');
    expect(fileLabel(mission, transactionFile(32_767, 2 ** 32 - 1))).toBe('32767-4294967295');
    expect(fileLabel(parseMission(example, 'm.yaml'), 42)).toBe('42');
  });

  test('of large identifiers is another for another transaction', () => {
    const files = new Set<number>();
    for (let i = 0; i < 20_000; i++) {
      files.add(transactionFile(32_768 + (i % 100), Math.floor(i / 100)));
      files.add(transactionFile(1, 2 ** 32 + i));
    }
    expect(files.size).toBe(40_000);
    expect([...files].every((file) => fileLabel(delivery('[cfdp]'), file).startsWith('x'))).toBe(true);
  });
});
