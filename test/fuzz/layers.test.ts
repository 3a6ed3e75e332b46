// Recordings mauled at random, through the whole chain: it must end, throw nothing, and report no frame that was never sent.
import { expect, test } from 'vitest';
import { decodeChain, encodeChain } from '../../src/layers/chain.js';
import type { LayerChoice } from '../../src/mission/mission.js';
import { layoutOf, makeFrames } from '../layers/frame-material.js';
import { feed, noise, seeded } from '../layers/seeded.js';

const CASES = Number(process.env['LAYER_RUNS'] ?? 600);

function maul(bytes: Buffer, random: () => number): Buffer {
  const place = (): number => Math.floor(random() * bytes.length);
  const size = (): number => Math.floor(random() ** 3 * 9000);
  for (let n = 1 + Math.floor(random() * 12); n > 0 && bytes.length > 0; n--) {
    const at = place();
    const length = size();
    const before = bytes.subarray(0, at);
    const piece = bytes.subarray(at, at + length);
    const after = bytes.subarray(at + length);
    switch (Math.floor(random() * 6)) {
      case 0:
        bytes = Buffer.from(bytes);
        for (let i = 0; i < 20; i++) bytes[place()]! ^= 1 << Math.floor(random() * 8);
        break;
      case 1:
        bytes = Buffer.concat([before, after]);
        break;
      case 2:
        bytes = Buffer.concat([before, noise(length, at), piece, after]);
        break;
      case 3:
        bytes = Buffer.concat([before, piece, piece, after]);
        break;
      case 4:
        bytes = Buffer.concat([after, piece, before]);
        break;
      default:
        bytes = Buffer.concat([before, Buffer.alloc(length), after]);
    }
  }
  return bytes;
}

test(`of ${CASES} mauled recordings none stops the chain or brings out a frame that was not sent`, () => {
  let intact = 0;
  let damaged = 0;
  for (let seed = 0; seed < CASES; seed++) {
    const random = seeded(seed);
    const pick = <T>(values: readonly T[]): T => values[Math.floor(random() * values.length)]!;
    const layout = layoutOf({ marker: pick(['1acffc1d', '1acffc1d', 'eb90', '']), payload: pick([20, 200, 984]) });
    const frame = pick([384, 654, 2001, 4026, 7274]);
    const record = pick(['fixed', 'variable']);
    const dvbS2: LayerChoice = { name: 'dvb-s2', options: { frame, record } };
    const fits = layout.length <= frame - 10;
    const layers = fits && random() < 0.3 ? [dvbS2] : [dvbS2, { name: 'stream', options: {} }];
    const frames = makeFrames(layout, 30, seed % 40);
    const units: Buffer[] = [];
    const encoder = encodeChain(layers, (unit) => units.push(Buffer.from(unit)));
    for (const sent of frames) encoder.push(sent);
    encoder.flush();
    const bytes = maul(Buffer.concat(units), random);

    const sent = new Set(frames.map((sentFrame) => sentFrame.toString('latin1')));
    const foreign: string[] = [];
    let last = -1;
    let inOrder = true;
    const chain = decodeChain(
      { layers, frame: layout },
      {
        intact: (b, start, at) => {
          const text = Buffer.from(b.subarray(start, start + layout.length)).toString('latin1');
          if (!sent.has(text)) foreign.push(`${seed}: byte ${at}`);
          if (at <= last) inOrder = false;
          last = at;
          intact++;
        },
        damaged: (b, start, end) => {
          if (start < 0 || end <= start || end > b.length || end - start > layout.length) inOrder = false;
          damaged++;
        },
      },
    );
    feed(bytes, (...block) => chain.input.push(...block), { name: '', next: () => 1 + Math.floor(random() * 5000) });
    chain.input.end();
    expect(foreign).toEqual([]);
    expect(inOrder).toBe(true);
  }
  // The test is about something: much survives the mauling, and much does not.
  expect(intact).toBeGreaterThan(CASES * 5);
  expect(damaged).toBeGreaterThan(CASES / 2);
});
