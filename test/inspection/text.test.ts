// What inspect prints: 80 columns, no control codes from the downlink, all that was found.
import { expect, test } from 'vitest';
import { inspectionText } from '../../src/cli/inspection-text.js';
import { inspect } from '../../src/inspect.js';
import { cfdpEncoder } from '../../src/layers/cfdp.js';
import { parseMission } from '../../src/mission/mission-file.js';
import { textWidth } from '../../src/report/plain-text.js';
import { datagrams, pcap } from '../intake/capture-material.js';
import { layoutOf } from '../layers/frame-material.js';
import { noise } from '../layers/seeded.js';
import { asStream, carousel, damaged, deliveries, inTurn, layer, sent } from './material.js';
import { inspectAll, inspectOne, put } from './recordings.js';

const layout = layoutOf({ payload: 400 });
const below = (apid: number) => [
  layer('cadu', { length: 1119 }),
  layer('aos', { vcid: 3 }),
  layer('packets', { apid }),
];

test('every line fits 80 columns, whatever was found', async () => {
  const streams = inTurn(
    asStream(sent([layer('dvb-s2'), layer('stream'), ...below(5)], deliveries(4)), 1),
    asStream(sent([layer('dvb-s2'), layer('gse'), layer('udp', { port: 5005 })], carousel(layout)), 2),
  );
  const files = [damaged(streams), noise(5000, 1), pcap(datagrams(sent([layer('stream')], carousel(layout))))];
  for (const file of files) {
    for (const found of await inspectAll(file)) {
      const text = inspectionText(found);
      expect(text.split('\n').filter((line) => textWidth(line) > 80)).toEqual([]);
      for (const { layers } of found.chain!.chains) for (const { name } of layers) expect(text).toContain(name);
    }
  }
});

test('names from the downlink pass no control codes', async () => {
  const encode = cfdpEncoder({ source: 1, destination: 2, segmentBytes: 300 });
  const name = '\u001b[31mred\u0007\n\u202egnp.exe';
  const pdus = [...encode({ name, content: noise(9000, 1), sequence: 8 })];
  const text = inspectionText(await inspectOne(Buffer.concat(sent(below(7), pdus))));
  expect(text).toContain('redgnp.exe'.slice(0, 3));
  expect(text).not.toMatch(/[\u0000-\u0009\u000b-\u001f\u007f-\u009f\u202e]/);
});

test('with a mission of frames: stretches, files and the counts of each layer; of a capture its own counts too', async () => {
  const mission = parseMission(
    'mission: Test\nlayers: [stream]\nframe:\n  marker: 1ACFFC1D\n  length: 420\n  fields: { counter: { at: 4, bits: 32 }, file: { at: 8, bits: 16 }, segment: { at: 10, bits: 24 } }\n  payload: { at: 18, size: 400 }\n  crc: { name: CRC-16/IBM-3740, at: 418, covers: [0, 418] }\n',
    'mission.yaml',
  );
  const file = put('flow.pcap', pcap(datagrams(carousel(layout, 1))));
  const { inspections } = await inspect([file], mission);
  const text = inspectionText(inspections[0]!);
  expect(inspections[0]!.frames).toMatchObject({
    intact: 219,
    damaged: 0,
    stretches: [{ first: 1000, last: 1218, frames: 219 }],
  });
  for (const words of ['1000 to 1218: 219 of 219', '1 (37)', 'capture', '219  captured', 'frames intact'])
    expect(text).toContain(words);
});

test('with a mission of file deliveries: PDUs by transaction', async () => {
  const mission = parseMission(
    'mission: Test\nlayers: [{cadu: {length: 1119}}, aos, {packets: {apid: 7}}, cfdp]\n',
    'mission.yaml',
  );
  const file = put('deliveries.bin', Buffer.concat(sent(below(7), deliveries(1))));
  const { inspections } = await inspect([file], mission);
  expect(inspections[0]!.layers.map(({ layer: name }) => name)).toEqual(['cadu', 'aos', 'packets', 'cfdp']);
  expect(Object.keys(inspections[0]!.frames!.files)).toEqual(['21-40', '21-41', '21-42', '21-43']);
  expect(inspectionText(inspections[0]!)).toContain('21-40');
});
