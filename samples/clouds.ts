// Night-shining clouds over a dark limb, as a cubesat's camera might see them: twilight layers by height, thin waves near 83 km,
// stars above, a sensor's shot noise and hot pixels. Heights and colours are drawn for the look, not computed from physics.
import { type Random, seededRandom } from '../src/rehearsal/random.js';
import { grain, mix, noise, octaves, step } from './noise.js';

export type View = {
  readonly width: number;
  readonly height: number;
  readonly seed: number;
  /** Height of the picture, km at the limb. */
  readonly span: number;
  /** Where the limb stands in the middle of the picture, share of the height from the top. */
  readonly limb: number;
  /** Slope of the horizon, rise per run. */
  readonly tilt: number;
  /** How strongly the waves are twisted, 0 to 1. */
  readonly twist: number;
  /** Waves across the picture. */
  readonly waves: number;
  /** Deviation of the grain at full light, in 8-bit levels. */
  readonly grain: number;
};

type Colour = readonly [number, number, number];

/** Colour of the clear twilight sky by height in km. */
const SKY: readonly (readonly [number, Colour])[] = [
  [0, [0.2, 0.055, 0.02]],
  [9, [0.62, 0.24, 0.06]],
  [20, [0.66, 0.44, 0.2]],
  [34, [0.36, 0.42, 0.36]],
  [50, [0.12, 0.26, 0.38]],
  [75, [0.035, 0.09, 0.2]],
  [110, [0.008, 0.018, 0.05]],
  [170, [0.003, 0.005, 0.014]],
];

const CLOUD: Colour = [0.42, 0.72, 0.95];

/** The light that falls on each pixel, red, green, blue in turn, 0 to about 1, without noise. */
export function cloudLight(view: View): Float32Array {
  const { width, height, seed, span, limb, tilt, twist, waves } = view;
  const light = new Float32Array(width * height * 3);
  for (let py = 0; py < height; py++) {
    for (let px = 0; px < width; px++) {
      const x = px / width - 0.5;
      const limbAt = limb + tilt * x + 0.16 * x * x;
      const km = (limbAt - py / height) * span;
      const cloud = km > 0 ? cloudAt(x, km, seed, twist, waves) : 0;
      const sky = skyAt(Math.max(0, km + 3 * (noise(x * 5, km / 9, seed + 40) - 0.5)));
      const ground = groundAt(x, Math.max(0, -km), seed);
      // The limb is a soft edge, two pixels wide.
      const above = step(-span / height, span / height, km);
      for (let c = 0; c < 3; c++) {
        const back = mix(ground[c]!, sky[c]!, above);
        light[(py * width + px) * 3 + c] = back * (0.8 + 0.4 * x) + cloud * CLOUD[c]!;
      }
    }
  }
  addStars(light, view, seededRandom(seed, 'stars'));
  return light;
}

/** Brightness of the cloud layer: wave trains in twisted coordinates, filaments, and clear lanes; dense at its upper edge. */
function cloudAt(x: number, km: number, seed: number, twist: number, waves: number): number {
  const top = 83 + 2.5 * (octaves(x * 3, 0.5, seed + 9, 3) - 0.5);
  if (km > top + 2) return 0;
  // Looking below the upper edge means looking at nearer cloud, seen less flatly: coordinates stretch on the way down.
  const depth = Math.log1p(Math.max(0, top + 2 - km) / 4);
  const wx = x * 6 + twist * 5 * (octaves(x * 2, depth * 1.5, seed + 1, 4) - 0.5);
  const wy = depth * 4 + twist * 5 * (octaves(x * 2 + 7, depth * 1.5 + 3, seed + 2, 4) - 0.5);
  const train = 0.5 + 0.5 * Math.sin(wx * waves * 0.9 + wy * 3.1);
  const fine = 0.5 + 0.5 * Math.sin(wx * waves * 3.7 - wy * 5.3 + 4 * octaves(wx, wy, seed + 3, 3));
  const filaments = (1 - Math.abs(2 * octaves(wx * 1.6, wy * 4, seed + 4, 5) - 1)) ** 3;
  const lanes = step(0.36, 0.66, octaves(wx * 0.5 + 11, wy * 0.7, seed + 5, 4));
  const density = lanes * (0.35 * filaments + 0.4 * train * filaments + 0.16 * fine * train);
  const edge = step(top + 2, top - 1, km) * (0.35 + 0.65 * step(24, 70, km)) * step(6, 40, km);
  return 0.95 * density * edge;
}

function skyAt(km: number): Colour {
  const above = SKY.findIndex(([height]) => height > km);
  if (above === 0) return SKY[0]![1];
  if (above < 0) return SKY.at(-1)![1];
  const [low, from] = SKY[above - 1]!;
  const [high, to] = SKY[above]!;
  const share = (km - low) / (high - low);
  return [mix(from[0], to[0], share), mix(from[1], to[1], share), mix(from[2], to[2], share)];
}

/** The night side: cloud decks lit by the twilight, darker downwards. */
function groundAt(x: number, below: number, seed: number): Colour {
  const deck = octaves(x * 9, below / 14, seed + 20, 5);
  const light = (0.012 + 0.07 * step(0.45, 0.8, deck)) * Math.exp(-below / 60);
  return [light * 1.1, light * 0.75, light * 0.9];
}

function addStars(light: Float32Array, view: View, random: Random): void {
  const { width, height, limb, tilt, span } = view;
  for (let i = 0; i < (width * height) / 2600; i++) {
    const x = random.float() * width;
    const y = random.float() * height;
    const brightness = 0.06 + 0.9 * random.float() ** 6;
    const warmth = 0.75 + 0.5 * random.float();
    const km = (limb + tilt * (x / width - 0.5) - y / height) * span;
    if (km < 95) continue;
    for (let py = Math.max(0, Math.floor(y) - 2); py <= Math.min(height - 1, Math.floor(y) + 2); py++) {
      for (let px = Math.max(0, Math.floor(x) - 2); px <= Math.min(width - 1, Math.floor(x) + 2); px++) {
        const spread = brightness * Math.exp(-((px - x) ** 2 + (py - y) ** 2) / 0.9);
        const at = (py * width + px) * 3;
        light[at]! += spread * warmth;
        light[at + 1]! += spread;
        light[at + 2]! += spread * (2 - warmth);
      }
    }
  }
}

/** Develops light to 8-bit RGB: display gamma, then grain that grows with the light as photon noise does. */
export function develop(light: Float32Array, view: View): Uint8Array {
  const random = seededRandom(view.seed, 'grain');
  const pixels = new Uint8Array(light.length);
  for (let i = 0; i < light.length; i++) {
    const level = 255 * Math.min(1, light[i]!) ** (1 / 2.2);
    const value = level + view.grain * Math.sqrt(0.25 + (0.75 * level) / 255) * grain(random);
    pixels[i] = Math.min(255, Math.max(0, Math.round(value)));
  }
  return pixels;
}

/**
 * The sensor's own frame: red, green, green, blue filters in 2 x 2 pixels, 12 bits a pixel, linear, with a black level of 256.
 *
 * @returns two pixels in three bytes: the first one's high 8 bits, its low 4 and the second one's high 4, the second one's low 8
 */
export function sensorFrame(light: Float32Array, view: View): Uint8Array {
  const { width, height } = view;
  const random = seededRandom(view.seed, 'sensor');
  const packed = new Uint8Array((width * height * 3) / 2);
  const pixelAt = (index: number): number => {
    const odd = (index % width) & 1;
    const colour = odd + (Math.floor(index / width) & 1);
    const electrons = 3000 * light[index * 3 + colour]!;
    const hot = random.below(40_000) === 0 ? 2500 : 0;
    const value = 256 + electrons + hot + Math.sqrt(16 + electrons) * grain(random);
    return Math.min(4095, Math.max(0, Math.round(value)));
  };
  for (let i = 0, at = 0; i < width * height; i += 2, at += 3) {
    const first = pixelAt(i);
    const second = pixelAt(i + 1);
    packed.set([first >> 4, ((first & 15) << 4) | (second >> 8), second & 255], at);
  }
  return packed;
}
