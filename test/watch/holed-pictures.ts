// Baseband frames of pictures that take a while to draw, with holes in every one.
import sharp from 'sharp';
import { encodeChain } from '../../src/layers/chain.js';
import { encodeFrame } from '../../src/layers/frame.js';
import { readMission } from '../../src/recover.js';
import { seededRandom } from '../../src/rehearsal/random.js';
import { missionFile } from './player.js';

/** What a station records of `count` pictures of four megapixels, about one frame in fifty lost. */
export async function holedPictures(count: number): Promise<Buffer> {
  const { mission } = readMission(missionFile);
  const random = seededRandom(5, 'holes');
  const noise = { type: 'gaussian' as const, mean: 110, sigma: 40 };
  const picture = await sharp({ create: { width: 2400, height: 1800, channels: 3, background: '#000', noise } })
    .blur(1.2)
    .jpeg({ quality: 90 })
    .toBuffer();
  const frames: Uint8Array[] = [];
  // Without its header there is nothing to see of a picture.
  let isHeader = true;
  const encoder = encodeChain(mission.layers, (frame) => {
    if (isHeader || random.float() >= 0.02) frames.push(Uint8Array.from(frame));
  });
  const { size } = mission.frame!.payload;
  const segments = Math.ceil(picture.length / size);
  for (let file = 1, counter = 0; file <= count; file++) {
    for (let segment = 0; segment < segments; segment++) {
      isHeader = segment < 10;
      const payload = picture.subarray(segment * size, (segment + 1) * size);
      const header = { counter: counter++, file, segment, segments, length: payload.length };
      encoder.push(encodeFrame(mission.frame!, header, payload));
    }
  }
  return Buffer.concat(frames);
}
