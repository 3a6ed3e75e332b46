// Every chain that our encoders make is named right by inspect, clean and with 1 KB of noise before it and 2 % of the outermost
// units missing. What the encoders write is compared with other programs in test/outside and with the vectors of test/vectors.
import { describe, expect, test } from 'vitest';
import { CRC_CATALOGUE } from '../../src/bytes/crc-catalogue.js';
import type { LayerChoice } from '../../src/mission/mission.js';
import { layoutOf, offsetLayout } from '../layers/frame-material.js';
import { carousel, damaged, deliveries, GARBAGE_BYTES, layer, sent } from './material.js';
import { chainText, inspectOne } from './recordings.js';

const layout = layoutOf({ payload: 400 });
const frames = carousel(layout);
const pdus = deliveries();
const FRAME = 'frame(1ACFFC1D, 420, CRC-16/IBM-3740)';
const dvbS2 = (options = {}): LayerChoice => layer('dvb-s2', options);
const udp = (port: number): LayerChoice => layer('udp', { port });

const cases: [expected: string, layers: LayerChoice[], units: readonly Uint8Array[]][] = [
  [`dvb-s2 > stream > ${FRAME}`, [dvbS2({ frame: 789 }), layer('stream')], frames],
  [`dvb-s2 > stream > ${FRAME}`, [dvbS2({ frame: 4026 }), layer('stream')], carousel(layout, 6)],
  [`dvb-s2 > stream > ${FRAME}`, [dvbS2({ frame: 2001, record: 'variable' }), layer('stream')], frames],
  [`dvb-s2 > ${FRAME}`, [dvbS2({ frame: 3216 })], frames],
  // Four frames fill the data field: that none crosses it is chance.
  [
    'dvb-s2 > stream > frame(1ACFFC1D, 1004, CRC-16/IBM-3740)',
    [dvbS2(), layer('stream')],
    carousel(layoutOf({ payload: 984 })),
  ],
  [`stream > ${FRAME}`, [layer('stream')], frames],
  [`dvb-s2 > stream > ${FRAME}`, [dvbS2({ frame: 1779, adaptation: 'L.3' }), layer('stream')], frames],
  [`dvb-s2 > stream > ${FRAME}`, [dvbS2({ frame: 1779, scrambled: true }), layer('stream')], frames],
  [
    `dvb-s2 > gse(crossFrames true) > udp(port 5005) > ${FRAME}`,
    [dvbS2({ frame: 1779, stream: 'gse-hem' }), layer('gse', { crossFrames: true }), udp(5005)],
    carousel(layout, 3),
  ],
  [
    'cadu(length 519) > tm(vcid 1) > packets(apid 17, secondaryHeader 8) > cfdp',
    [
      layer('cadu', { length: 519 }),
      layer('tm', { vcid: 1, length: 515 }),
      layer('packets', { apid: 17, secondaryHeader: 8 }),
    ],
    pdus,
  ],
  [`ts(pid 257) > ${FRAME}`, [layer('ts', { pid: 257 })], frames],
  [
    `ts(pid 258, carry sections, headers strip) > ${FRAME}`,
    [layer('ts', { pid: 258, carry: 'sections', headers: 'strip' })],
    frames,
  ],
  [`ts(pid 259, carry mpe) > udp(port 6001) > ${FRAME}`, [layer('ts', { pid: 259, carry: 'mpe' }), udp(6001)], frames],
  [`ts(pid 260, carry ule) > udp(port 6002) > ${FRAME}`, [layer('ts', { pid: 260, carry: 'ule' }), udp(6002)], frames],
  [
    `dvb-s2 > ts(pid 300, baseband true) > ${FRAME}`,
    [dvbS2({ stream: 'transport' }), layer('ts', { pid: 300, baseband: true })],
    carousel(layout, 4),
  ],
  [`dvb-s2 > gse > udp(port 5005) > ${FRAME}`, [dvbS2({ frame: 1779 }), layer('gse'), udp(5005)], frames],
  [
    `dvb-s2 > gse > udp(port 5005) > ${FRAME}`,
    [dvbS2({ frame: 1779, record: 'variable' }), layer('gse', { fragment: 300, fragmentIds: 3 }), udp(5005)],
    frames,
  ],
  [
    `cadu(length 1119, randomized legacy) > tm(vcid 2) > packets(apid 291) > ${FRAME}`,
    [
      layer('cadu', { length: 1119, randomized: 'legacy' }),
      layer('tm', { vcid: 2, scid: 42 }),
      layer('packets', { apid: 291 }),
    ],
    frames,
  ],
  [
    'cadu(length 1119, randomized new) > tm(vcid 5) > packets(apid 17) > cfdp',
    [
      layer('cadu', { length: 1119, randomized: 'new' }),
      layer('tm', { vcid: 5, scid: 42 }),
      layer('packets', { apid: 17 }),
    ],
    pdus,
  ],
  [
    'cadu(length 519) > tm(vcid 1) > packets(apid 17, crc true) > cfdp',
    [
      layer('cadu', { length: 519 }),
      layer('tm', { vcid: 1, scid: 42, length: 515 }),
      layer('packets', { apid: 17, crc: true }),
    ],
    pdus,
  ],
  [
    'dvb-s2 > stream > cadu(length 1119) > aos(vcid 3) > packets(apid 291) > cfdp',
    [
      dvbS2(),
      layer('stream'),
      layer('cadu', { length: 1119 }),
      layer('aos', { vcid: 3, scid: 5 }),
      layer('packets', { apid: 291 }),
    ],
    deliveries(4),
  ],
  [
    `dvb-s2 > stream > cadu(length 1119) > aos(vcid 3, ocf true) > packets(apid 291) > ${FRAME}`,
    [
      dvbS2(),
      layer('stream'),
      layer('cadu', { length: 1119 }),
      layer('aos', { vcid: 3, scid: 5, ocf: true }),
      layer('packets', { apid: 291 }),
    ],
    carousel(layout, 4),
  ],
  [
    `cadu(length 1119) > aos(vcid 9, pdu b) > ${FRAME}`,
    [layer('cadu', { length: 1119 }), layer('aos', { vcid: 9, scid: 5, pdu: 'b' }), layer('stream')],
    carousel(layout, 3),
  ],
];

describe.each(cases)('%s', (expected, layers, units) => {
  const link = sent(layers, units);

  test('is named by inspect when clean, with nothing lost', async () => {
    const { chain, layers: counted, problem } = await inspectOne(Buffer.concat(link));
    expect(chain.chains.map(chainText)).toEqual([expected]);
    expect(counted.flatMap(({ errors }) => (errors ? [errors.bad] : [])).every((bad) => bad === 0)).toBe(true);
    expect(problem).toBeUndefined();
  });

  test('is named by inspect with 1 KB of noise before it and 2 % of the units missing', async () => {
    const { chain } = await inspectOne(damaged(link));
    expect(chain.chains.map(chainText)).toEqual([expected]);
  });
});

test.each(Object.values(CRC_CATALOGUE).map((crc) => [crc.name, crc] as const))(
  'frames proven by %s are found, marker covered or not, in either byte order',
  async (name, crc) => {
    for (const coversMarker of [true, false]) {
      for (const endian of ['big', 'little'] as const) {
        const own = layoutOf({ marker: 'c0ffee42', payload: 90, crc, endian, coversMarker });
        const { chain } = await inspectOne(damaged(sent([layer('stream')], carousel(own))));
        const [best] = chain.chains;
        expect(chainText(best!)).toBe(`stream > frame(C0FFEE42, ${own.length}, ${name})`);
        const { parameters: _, ...place } = own.crc;
        expect(best!.frame!.crc).toMatchObject(crc.width === 8 ? { ...place, endian: 'big' } : place);
      }
    }
  },
);

test('frames without a marker are found where units of the layer below are frames', async () => {
  const own = layoutOf({ marker: '', payload: 300 });
  const { chain } = await inspectOne(damaged(sent([dvbS2({ frame: 1779 }), layer('gse'), udp(5005)], carousel(own))));
  expect(chain.chains.map(chainText)).toEqual([
    'dvb-s2 > gse > udp(port 5005) > frame(no marker, 316, CRC-16/IBM-3740)',
  ]);
});

test('frames that name their place by byte offset are read as such', async () => {
  const own = offsetLayout(200);
  const { chain } = await inspectOne(damaged(sent([layer('stream')], carousel(own, 3))));
  const { fields, payload } = chain.chains[0]!.frame!.fields;
  expect(fields.offset?.field).toMatchObject({ at: 10, bits: 24 });
  expect(payload).toMatchObject({ at: own.payload.at, size: 200 });
});

test('little-endian counters are told by their carries', async () => {
  const base = layoutOf({ payload: 200 });
  const counter = { at: 4, bit: 0, bits: 32, endian: 'little' } as const;
  const own = { ...base, fields: { ...base.fields, counter } };
  const { chain } = await inspectOne(damaged(sent([layer('stream')], carousel(own, 3))));
  expect(chain.chains[0]!.frame!.fields.fields.counter).toMatchObject({ field: counter, certain: true });
});

test('the counts say how much was lost, by counters and checks', async () => {
  const link = sent([layer('cadu', { length: 1119 }), layer('tm', { vcid: 2 }), layer('packets', { apid: 291 })], pdus);
  const kept = link.filter((_, i) => i !== 40 && i !== 41 && i !== 90);
  const { layers } = await inspectOne(Buffer.concat(kept));
  const errors = Object.fromEntries(layers.map(({ layer: name, errors: rate }) => [name, rate]));
  expect(errors['tm']).toMatchObject({ bad: 3, of: link.length });
  expect(errors['packets']!.bad).toBeGreaterThanOrEqual(3);
});

test('transactions are told with what Metadata and EOF say of them', async () => {
  const { chain } = await inspectOne(
    damaged(sent([layer('cadu', { length: 1119 }), layer('tm'), layer('packets', { apid: 3 })], pdus)),
  );
  expect(chain.transactions.map(({ source, sequence, name, bytes }) => [source, sequence, name, bytes])).toEqual([
    [21, 40, 'limb-0.jpg', 20_000],
    [21, 41, 'limb-1.jpg', 23_000],
    [21, 42, 'limb-2.jpg', 26_000],
    [21, 43, 'limb-3.jpg', 29_000],
  ]);
});

test('a recording that begins with noise for longer than an excerpt is looked at behind it', async () => {
  expect(GARBAGE_BYTES).toBe(1024);
  const link = Buffer.concat(sent([dvbS2({ frame: 789 }), layer('stream')], frames));
  const noisy = Buffer.concat([Buffer.alloc(5 << 20, 0x5a), link]);
  const { chain } = await inspectOne(noisy);
  expect(chain.chains.map(chainText)).toEqual([`dvb-s2 > stream > ${FRAME}`]);
  expect(chain.excerpt.at).toBe(4 << 20);
});
