// The mission-file stub: read by the reader of mission files, and good enough to recover with where all is known.
import { readFileSync } from 'node:fs';
import { fileURLToPath } from 'node:url';
import { describe, expect, test } from 'vitest';
import { inspect } from '../../src/inspect.js';
import { LAYERS } from '../../src/layers/index.js';
import { parseMission } from '../../src/mission/mission-file.js';
import { layoutOf, offsetLayout } from '../layers/frame-material.js';
import { carousel, damaged, deliveries, layer, sent } from './material.js';
import { inspectOne } from './recordings.js';

const layerNames = [...LAYERS.keys(), 'cfdp'];
const read = (stub: string | undefined) => parseMission(stub!, 'stub.yaml', { layerNames });

describe('a stub of frames', () => {
  test.each([
    ['segments and segment', layoutOf({ payload: 400 })],
    [
      'other places, little-endian CRC',
      layoutOf({ payload: 300, marker: '00112233', endian: 'little', coversMarker: false }),
    ],
    ['a marker that YAML would take for a number', layoutOf({ payload: 200, marker: '12e45678' })],
    ['byte offsets', offsetLayout(200)],
  ])('says exactly how they are made: %s', async (_, layout) => {
    const { chain } = await inspectOne(
      damaged(sent([layer('dvb-s2', { frame: 789 }), layer('stream')], carousel(layout, 3))),
    );
    const mission = read(chain.stub);
    expect(mission.layers).toEqual([layer('dvb-s2'), layer('stream')]);
    expect(mission.frame).toEqual({ ...layout, marker: Uint8Array.from(layout.marker) });
    expect(chain.stub).not.toMatch(/# \? (counter|file|segment|offset):/);
  });

  test('with one file alone leaves open what is the counter and what the segment', async () => {
    const layout = layoutOf({ payload: 400 });
    const { chain } = await inspectOne(Buffer.concat(sent([layer('stream')], carousel(layout, 1).slice(0, 30))));
    expect(chain.stub).toMatch(/# \? counter: /);
    expect(chain.stub).toMatch(/# \? file: .*not told/);
    expect(() => read(chain.stub)).toThrow(/fields/);
    expect(chain.unknown.join('\n')).toMatch(/which bytes of the frames are file/);
  });
});

test('a stub of a file delivery is complete', async () => {
  const layers = [
    layer('cadu', { length: 1119, randomized: 'legacy' }),
    layer('tm', { vcid: 2 }),
    layer('packets', { apid: 291 }),
  ];
  const { chain } = await inspectOne(damaged(sent(layers, deliveries())));
  const mission = read(chain.stub);
  expect(mission.layers).toEqual([...layers, layer('cfdp')]);
  expect(mission.frame).toBeUndefined();
});

test('its lines fit 80 columns', async () => {
  const layout = layoutOf({ payload: 400 });
  const layers = [
    layer('dvb-s2'),
    layer('stream'),
    layer('cadu', { length: 1119, randomized: 'new' }),
    layer('aos', { vcid: 3 }),
    layer('packets', { apid: 3 }),
  ];
  const { chain } = await inspectOne(damaged(sent(layers, carousel(layout, 4))));
  expect(chain.stub!.split('\n').filter((line) => line.length > 80)).toEqual([]);
});

test('of the sample campaign it is the frame that the sample was made with', async () => {
  const sample = (name: string): string => fileURLToPath(new URL(`../../samples/dotterel/${name}`, import.meta.url));
  const mission = parseMission(readFileSync(sample('mission.yaml'), 'utf8'), 'mission.yaml');
  const { inspections } = await inspect([sample('recordings/highfell.zip')]);
  const stub = read(inspections[0]!.chain!.stub);
  expect(stub.layers.map(({ name }) => name)).toEqual(mission.layers.map(({ name }) => name));
  expect(stub.frame).toEqual(mission.frame);
});
