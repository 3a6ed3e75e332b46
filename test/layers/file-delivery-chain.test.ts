// Chains that end in the file delivery, and the count that space packets give to the units they hand on.
import { describe, expect, test } from 'vitest';
import { UsageError } from '../../src/errors.js';
import { cfdpEncoder } from '../../src/layers/cfdp.js';
import { decodeChain, encodeChain } from '../../src/layers/chain.js';
import { packets } from '../../src/layers/packets.js';
import { recordingSink } from './cfdp-material.js';
import { layoutOf } from './frame-material.js';

const layers = [
  { name: 'packets', options: { apid: 5, length: 60 } },
  { name: 'cfdp', options: {} },
];
const pdus = [
  ...cfdpEncoder({ source: 1, destination: 2, segmentBytes: 100 })({
    name: 'a',
    content: new Uint8Array(250),
    sequence: 7,
  }),
];

describe('a chain that ends in cfdp', () => {
  test('sends PDUs and hands them on', () => {
    const units: Uint8Array[] = [];
    const encoder = encodeChain(layers, (unit) => units.push(Uint8Array.from(unit)));
    for (const pdu of pdus) encoder.push(pdu);
    encoder.flush();
    const { events, sink } = recordingSink();
    const chain = decodeChain({ layers }, sink);
    const bytes = Buffer.concat(units);
    chain.input.push(bytes, 0, bytes.length, 0, -1);
    chain.input.end();
    expect(events.map(({ call }) => call)).toEqual(['metadata', 'fileData', 'fileData', 'fileData', 'eof']);
    expect(chain.counts().map(({ layer }) => layer)).toEqual(['packets', 'cfdp']);
    expect(chain.counts()[1]!.counts).toMatchObject({ transactions: 1, 'File Data': 3, EOF: 1 });
  });

  test('checks the options of cfdp', () => {
    const wrong = [layers[0]!, { name: 'cfdp', options: { crc: 'always' } }];
    expect(() => decodeChain({ layers: wrong }, recordingSink().sink)).toThrow(/layer options: cfdp.crc/);
  });

  test('needs a sink for PDUs, and a frame one for frames', () => {
    const frames = { intact: () => undefined, damaged: () => undefined };
    expect(() => decodeChain({ layers }, frames)).toThrow(UsageError);
    expect(() => decodeChain({ layers: layers.slice(0, 1) }, recordingSink().sink)).toThrow(UsageError);
    expect(() => decodeChain({ layers: layers.slice(0, 1), frame: layoutOf() }, frames)).not.toThrow();
  });
});

test('packets tell the count of each unit: of its first part, and how many those are', () => {
  const units: Uint8Array[] = [];
  const encoder = packets.encoder({ apid: 5, length: 60 }, (unit) => units.push(Uint8Array.from(unit)));
  for (const size of [10, 120, 54, 55]) encoder.push(new Uint8Array(size).fill(size));
  const told: unknown[] = [];
  const decoder = packets.decoder(
    { apid: 5 },
    {
      sequence: (count, parts) => told.push(['sequence', count, parts]),
      push: (_, start, end) => told.push(end - start),
      gap: () => undefined,
      unitEnd: () => undefined,
      end: () => undefined,
    },
  );
  for (const unit of units) decoder.push(unit, 0, unit.length, 0, 0);
  decoder.end();
  expect(told).toEqual([
    ['sequence', 0, 1],
    10,
    ['sequence', 1, 3],
    120,
    ['sequence', 4, 1],
    54,
    ['sequence', 5, 2],
    55,
  ]);
});
