// Captures: each flow is a recording of its own, whose chain is named; with vectors that a general packet dissector read the same.
import { readFileSync } from 'node:fs';
import { expect, test } from 'vitest';
import { datagrams, pcap, pcapng } from '../intake/capture-material.js';
import { layoutOf } from '../layers/frame-material.js';
import { noise } from '../layers/seeded.js';
import { carousel, deliveries, layer, sent, thinned } from './material.js';
import { chainText, inspectAll } from './recordings.js';

const layout = layoutOf({ payload: 400 });
const frames = carousel(layout);
const FRAME = 'frame(1ACFFC1D, 420, CRC-16/IBM-3740)';
const below = [layer('gse'), layer('udp', { port: 5005 })];

test.each([
  ['pcap', pcap],
  ['pcapng', pcapng],
] as const)('%s with baseband frames to one port, mission frames, packets and PDUs to others', async (_, write) => {
  const link = sent([layer('dvb-s2', { frame: 1194 }), ...below], frames);
  const packets = sent([layer('packets', { apid: 77 })], deliveries());
  for (const thin of [false, true]) {
    const some = (units: readonly Buffer[]): Buffer[] => (thin ? [noise(1024, 3), ...thinned(units)] : [...units]);
    const file = write([
      ...datagrams(some(link), { port: 7001 }),
      ...datagrams(some(frames), { port: 7002 }),
      ...datagrams(some(packets), { port: 7003 }),
      ...datagrams(some(sent([layer('gse'), layer('udp', { port: 88 })], frames)), { port: 7004 }),
      ...datagrams(some(deliveries().map((pdu) => Buffer.from(pdu))), { port: 7005 }),
    ]);
    const found = await inspectAll(file);
    expect(found.map(({ name }) => /:(\d+)$/.exec(name)?.[1])).toEqual(['7001', '7002', '7003', '7004', '7005']);
    expect(found.map(({ chain }) => chain!.chains.map(chainText).join(', '))).toEqual([
      `dvb-s2 > gse > udp(port 5005) > ${FRAME}`,
      `stream > ${FRAME}`,
      'packets(apid 77) > cfdp',
      `gse > udp(port 88) > ${FRAME}`,
      'cfdp',
    ]);
    expect(found[0]!.containerCounts).toMatchObject({ captured: expect.any(Number) });
    const said = found.map(({ chain }) => chain!.unknown.join(' '));
    expect(said.map((text) => /first 1024 bytes are no part of it/.test(text))).toEqual(
      [false, false, true, true, true].map((isLed) => isLed && thin),
    );
  }
});

type Vector = { id: string; hex: string | string[]; verified: string };
const vectors = (file: string): Vector[] =>
  (JSON.parse(readFileSync(new URL(`../vectors/${file}.json`, import.meta.url), 'utf8')) as { vectors: Vector[] })
    .vectors;

test('mode adaptation vectors of a general packet dissector, sent over and over, are named as baseband frames', async () => {
  for (const { id, hex } of vectors('modeadapt')) {
    const unit = Buffer.from(hex as string, 'hex');
    const [one] = await inspectAll(pcap(datagrams(Array.from({ length: 40 }, () => unit))), `${id}.pcap`);
    expect([id, one!.chain!.chains[0]?.layers[0]?.name]).toEqual([id, 'dvb-s2']);
  }
});

test.each([
  ['full-broadcast', 'gse'],
  ['fragmented-3-bbframes', 'gse'],
])('the GSE vector %s, read the same by a general packet dissector, is named dvb-s2 > gse', async (id, inner) => {
  const { hex } = vectors('gse').find((vector) => vector.id === id)!;
  const once = (Array.isArray(hex) ? hex : [hex]).map((text) => Buffer.from(text, 'hex'));
  const [one] = await inspectAll(Buffer.concat(Array.from({ length: 20 }, () => once).flat()));
  expect(one!.chain!.chains[0]!.layers.slice(0, 2).map(({ name }) => name)).toEqual(['dvb-s2', inner]);
});

test('the vector of transport stream packets in baseband frames is named dvb-s2 > ts', async () => {
  const { hex } = vectors('ts-in-bbframe').find(({ id }) => id === 'ts-3-bbframes')!;
  const once = (hex as string[]).map((text) => Buffer.from(text, 'hex'));
  const [one] = await inspectAll(Buffer.concat(Array.from({ length: 20 }, () => once).flat()));
  expect(one!.chain!.found[0]!.layer).toBe('dvb-s2');
  expect(one!.chain!.found[0]!.proof).toContain('transport stream');
});
