// Smooth noise for the drawings: value noise on a whole-number lattice, octaves of it, and a sensor's grain.
import type { Random } from '../src/rehearsal/random.js';

/** A repeatable value between 0 and 1 for a lattice point (integer mixing by multiply and shift, constants chosen freely). */
function latticeValue(x: number, y: number, seed: number): number {
  let h = Math.imul(x, 0x27d4eb2d) ^ Math.imul(y, 0x165667b1) ^ Math.imul(seed, 0x5f356495);
  h = Math.imul(h ^ (h >>> 15), 0x2c1b3c6d);
  h = Math.imul(h ^ (h >>> 12), 0x297a2d39);
  return ((h ^ (h >>> 15)) >>> 0) / 2 ** 32;
}

/** Value noise: lattice values joined by a cubic ease, 0 to 1. */
export function noise(x: number, y: number, seed: number): number {
  const left = Math.floor(x);
  const top = Math.floor(y);
  const u = ease(x - left);
  const v = ease(y - top);
  const above = mix(latticeValue(left, top, seed), latticeValue(left + 1, top, seed), u);
  const below = mix(latticeValue(left, top + 1, seed), latticeValue(left + 1, top + 1, seed), u);
  return mix(above, below, v);
}

/** Octaves of noise, each twice as fine and half as strong, 0 to 1. */
export function octaves(x: number, y: number, seed: number, count: number): number {
  let sum = 0;
  let weight = 0.5;
  let total = 0;
  for (let i = 0; i < count; i++) {
    sum += weight * noise(x * 2 ** i, y * 2 ** i, seed + i);
    total += weight;
    weight /= 2;
  }
  return sum / total;
}

/** Roughly normal, mean 0, deviation 1: the sum of four uniform numbers. */
export function grain(random: Random): number {
  return (random.float() + random.float() + random.float() + random.float() - 2) * Math.sqrt(3);
}

/** 0 below `from`, 1 above `to`, smooth between. */
export function step(from: number, to: number, value: number): number {
  return ease(Math.min(1, Math.max(0, (value - from) / (to - from))));
}

export function mix(a: number, b: number, share: number): number {
  return a + (b - a) * share;
}

function ease(t: number): number {
  return t * t * (3 - 2 * t);
}
