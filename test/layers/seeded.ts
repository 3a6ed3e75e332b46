// Seeded material for the layer tests: numbers, noise, and ways to cut a recording into blocks.

/** Numbers from 0 to 1, the same in every run (mulberry32, a public-domain generator; from memory). */
export function seeded(seed: number): () => number {
  let state = seed >>> 0;
  return () => {
    state = (state + 0x6d2b79f5) >>> 0;
    let t = state;
    t = Math.imul(t ^ (t >>> 15), t | 1);
    t ^= t + Math.imul(t ^ (t >>> 7), t | 61);
    return ((t ^ (t >>> 14)) >>> 0) / 2 ** 32;
  };
}

export function noise(length: number, seed: number): Buffer {
  const random = seeded(seed);
  return Buffer.from(Uint8Array.from({ length }, () => random() * 256));
}

export type Garbage = 'zeros' | 'noise' | 'text';
export const GARBAGE: readonly Garbage[] = ['zeros', 'noise', 'text'];

export function garbage(kind: Garbage, length: number, seed: number): Buffer {
  if (kind === 'noise') return noise(length, seed);
  return Buffer.alloc(length, kind === 'zeros' ? 0 : 'recorder restarted, disk was full; ');
}

type Push = (buffer: Uint8Array, start: number, end: number, at: number, unitStart: number) => void;

/** A way to cut: gives the size of the next block. Blocks are lent in a larger buffer that is overwritten after each call. */
export type Cut = { readonly name: string; readonly next: () => number };

export const cuts = (seed: number): Cut[] => {
  const random = seeded(seed);
  return [
    { name: 'whole', next: () => Number.POSITIVE_INFINITY },
    { name: 'one byte at a time', next: () => 1 },
    { name: 'cut at random places', next: () => 1 + Math.floor(random() ** 4 * 30000) },
  ];
};

export function feed(bytes: Uint8Array, push: Push, cut: Cut, base = 0): void {
  for (let at = 0; at < bytes.length; ) {
    const size = Math.min(cut.next(), bytes.length - at);
    const lent = Buffer.alloc(size + 7, 0xee);
    lent.set(bytes.subarray(at, at + size), 3);
    push(lent, 3, 3 + size, base + at, -1);
    lent.fill(0xee);
    at += size;
  }
}
