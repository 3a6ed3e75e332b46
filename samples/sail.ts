// The drag sail unfurling, frame by frame: four booms push a square membrane out of the cubesat while the scene turns slowly over
// a twilit limb; creases smooth out, the sun glints once.
import { seededRandom } from '../src/rehearsal/random.js';
import { grain, mix, noise, octaves, step } from './noise.js';

export const CLIP = { width: 400, height: 300, framesPerSecond: 25, frames: 150 } as const;

/** One frame, 8-bit RGB. */
export function sailFrame(index: number): Uint8Array {
  const { width, height, frames } = CLIP;
  const time = index / frames;
  const random = seededRandom(index, 'sail grain');
  const pixels = new Uint8Array(width * height * 3);
  const turn = 0.5 + 0.35 * time;
  const cosine = Math.cos(turn);
  const sine = Math.sin(turn);
  const reach = reachAt(time);
  for (let py = 0; py < height; py++) {
    for (let px = 0; px < width; px++) {
      const x = (px - width / 2) / height;
      const y = (py - height * 0.5) / height;
      // The sail lies in a plane that leans away from the camera: lengths shrink across the lean, and with distance.
      const depth = 1 + 0.35 * y;
      const u = (cosine * x + sine * y * 1.35) / depth / 0.46;
      const v = (cosine * y * 1.35 - sine * x) / depth / 0.46;
      const colour = hubAt(u, v) ?? boomAt(u, v, reach) ?? sailAt(u, v, reach, time) ?? skyAt(x, y, time);
      const at = (py * width + px) * 3;
      for (let c = 0; c < 3; c++) {
        const level = 255 * Math.min(1, Math.max(0, colour[c]!)) ** (1 / 2.2);
        pixels[at + c] = Math.min(255, Math.max(0, Math.round(level + 2.6 * grain(random))));
      }
    }
  }
  return pixels;
}

type Colour = readonly [number, number, number];

/** How far the booms are out, 0 to 1: a jerky start, then steady, with a little swing when they stop. */
function reachAt(time: number): number {
  const out = step(0.08, 0.78, time);
  const swing = time > 0.78 ? 0.02 * Math.sin((time - 0.78) * 60) * Math.exp(-(time - 0.78) * 18) : 0;
  return 0.13 + 0.87 * out + swing;
}

function hubAt(u: number, v: number): Colour | undefined {
  if (Math.abs(u) > 0.11 || Math.abs(v) > 0.11) return undefined;
  const rim = Math.max(Math.abs(u), Math.abs(v)) > 0.098 ? 0.5 : 0.16;
  const panel = 0.05 * octaves(u * 60, v * 60, 300, 3);
  return [rim + panel, rim + panel * 0.8, rim * 0.95 + panel * 1.6];
}

function boomAt(u: number, v: number, reach: number): Colour | undefined {
  const along = Math.max(Math.abs(u), Math.abs(v));
  const across = Math.min(Math.abs(u), Math.abs(v));
  if (across > 0.012 || along > reach + 0.02) return undefined;
  const shade = 0.35 + 0.4 * (1 - across / 0.012);
  return [shade, shade * 0.97, shade * 0.85];
}

/** The membrane between the booms: creases fade as it is pulled tight, and a glint of the sun passes over it. */
function sailAt(u: number, v: number, reach: number, time: number): Colour | undefined {
  const edge = Math.abs(u) + Math.abs(v);
  // Slack cloth hangs in between the booms until it is pulled tight.
  const slack = (1 - reach) * 0.5 * Math.min(Math.abs(u), Math.abs(v));
  if (edge + slack > reach * 0.97) return undefined;
  const quadrant = (u > 0 ? 1 : 0) + (v > 0 ? 2 : 0);
  const folds = 0.5 + 0.5 * Math.sin(edge * 90 + 6 * noise(u * 4, v * 4, 310 + quadrant));
  const crumple = octaves((u / reach) * 9, (v / reach) * 9, 320 + quadrant, 4) - 0.5;
  const glint = Math.exp(-(((u - 1.4 + 2.6 * time) ** 2 + (v + 0.2 - 0.3 * time) ** 2) / 0.05));
  const base = 0.2 + 0.07 * quadrant;
  const light = base + mix(0.5, 0.12, reach) * crumple + (1 - reach) * 0.18 * folds + 0.02 * folds + 0.6 * glint;
  return [light, light * 0.93, light * 0.8];
}

function skyAt(x: number, y: number, time: number): Colour {
  // The limb crosses the picture as the spacecraft tumbles.
  const km = (0.62 - 0.5 * time - y - 0.5 * x + 0.12 * x * x) * 260;
  if (km < 0) {
    const deck = 0.01 + 0.05 * step(0.45, 0.8, octaves(x * 6 + time * 2, y * 9 + time * 3, 330, 4)) * Math.exp(km / 70);
    return [deck, deck * 0.8, deck];
  }
  const glow = Math.exp(-km / 22);
  const cloud = 0.5 * Math.exp(-(((km - 83) / 6) ** 2)) * octaves(x * 14 + time * 5, km / 3, 340, 4) ** 2;
  const star =
    noise(Math.round((x + time * 0.3) * 240), Math.round((y + time * 0.45) * 240), 350) > 0.9975
      ? 0.5 * step(60, 120, km)
      : 0;
  return [
    0.55 * glow + 0.4 * cloud + star,
    0.26 * glow + 0.7 * cloud + star,
    0.1 * glow + 0.9 * cloud + 0.03 * Math.exp(-km / 90) + star,
  ];
}
