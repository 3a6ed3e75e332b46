// Several chains in one recording: all are told, and the stub is of the one with the most mission content.
import { expect, test } from 'vitest';
import { layoutOf } from '../layers/frame-material.js';
import { noise } from '../layers/seeded.js';
import { asStream, carousel, damaged, deliveries, inTurn, layer, sent } from './material.js';
import { chainText, inspectOne } from './recordings.js';

const layout = layoutOf({ payload: 400 });
const frames = carousel(layout);
const FRAME = 'frame(1ACFFC1D, 420, CRC-16/IBM-3740)';

test('two ISIs, one with GSE and one with a continuous stream', async () => {
  const gse = sent([layer('dvb-s2', { frame: 1779 }), layer('gse'), layer('udp', { port: 5005 })], carousel(layout, 1));
  const stream = sent([layer('dvb-s2', { frame: 1779 }), layer('stream')], frames);
  const link = inTurn(asStream(gse, 7), asStream(stream, 12));
  for (const bytes of [Buffer.concat(link), damaged(link)]) {
    const { chain } = await inspectOne(bytes);
    expect(chain.chains.map(chainText)).toEqual([
      `dvb-s2(isi 12) > stream > ${FRAME}`,
      `dvb-s2(isi 7) > gse > udp(port 5005) > ${FRAME}`,
    ]);
    expect(chain.stub).toContain('isi: 12');
    expect(chain.stub).toMatch(/# another chain.*\n# {2}- dvb-s2: \{ isi: 7 \}/);
  }
});

test('three PIDs with piping, MPE and sections, and null packets', async () => {
  const pipe = sent([layer('ts', { pid: 257 })], frames);
  const mpe = sent([layer('ts', { pid: 258, carry: 'mpe' }), layer('udp', { port: 6001 })], carousel(layout, 1));
  const own = layoutOf({ payload: 90, marker: 'c0ffee42' });
  const sections = sent([layer('ts', { pid: 259, carry: 'sections', headers: 'strip' })], carousel(own, 1));
  const empty = Buffer.concat([Buffer.from('471fff10', 'hex'), Buffer.alloc(184, 0xff)]);
  const link = inTurn(
    pipe,
    mpe,
    Array.from({ length: 50 }, () => empty),
    sections,
  );
  for (const bytes of [Buffer.concat(link), damaged(link)]) {
    const { chain } = await inspectOne(bytes);
    expect(chain.chains.map(chainText)).toEqual([
      `ts(pid 257) > ${FRAME}`,
      `ts(pid 258, carry mpe) > udp(port 6001) > ${FRAME}`,
      'ts(pid 259, carry sections, headers strip) > frame(C0FFEE42, 110, CRC-16/IBM-3740)',
    ]);
  }
});

test('two virtual channels, one with frames in packets and one with CFDP in packets of two APIDs', async () => {
  const below = (vcid: number, apid: number) => [
    layer('cadu', { length: 1119, randomized: 'legacy' }),
    layer('tm', { vcid, scid: 42 }),
    layer('packets', { apid }),
  ];
  const link = inTurn(sent(below(1, 291), carousel(layout, 1)), sent(below(4, 33), deliveries(3)));
  for (const bytes of [Buffer.concat(link), damaged(link)]) {
    const { chain } = await inspectOne(bytes);
    expect(chain.chains.map(chainText)).toEqual([
      'cadu(length 1119, randomized legacy) > tm(vcid 4) > packets(apid 33) > cfdp',
      `cadu(length 1119, randomized legacy) > tm(vcid 1) > packets(apid 291) > ${FRAME}`,
    ]);
  }
});

test('two UDP ports and a protocol that is no IP in one GSE stream', async () => {
  const packets: Buffer[] = [];
  for (const [options, units] of [
    [[layer('gse'), layer('udp', { port: 5005 })], frames],
    [[layer('gse'), layer('udp', { port: 5006 })], carousel(layout, 1)],
    [[layer('gse', { protocol: 0x88b5 })], [noise(300, 1), noise(300, 2), noise(300, 3), noise(300, 4)]],
  ] as const) {
    packets.push(...sent(options, units));
  }
  const link = sent([layer('dvb-s2', { frame: 1779 })], packets);
  const { chain } = await inspectOne(damaged(link));
  expect(chain.chains.map(chainText)).toEqual([
    `dvb-s2 > gse(protocol 2048) > udp(port 5005) > ${FRAME}`,
    `dvb-s2 > gse(protocol 2048) > udp(port 5006) > ${FRAME}`,
    'dvb-s2 > gse(protocol 34997)',
  ]);
  expect(chain.unknown.join('\n')).toMatch(/gse.*: nothing inside is proven/);
});

test('a programme with PES start codes is said to be one, and nothing is looked for in it', async () => {
  const packets = Array.from({ length: 60 }, (_, i) => {
    const starts = i % 5 === 0;
    const head = Buffer.from([0x47, (starts ? 0x40 : 0) | 1, 0x11, 0x10 | (i & 15)]);
    const payload = noise(184, i);
    if (starts) payload.set([0, 0, 1, 0xe0]);
    return Buffer.concat([head, payload]);
  });
  const { chain } = await inspectOne(damaged(packets));
  expect(chain.chains.map(chainText)).toEqual(['ts(pid 273, carry program)']);
  expect(chain.unknown.join('\n')).toMatch(/PID 273 carries a programme \(PES\)/);
});
