// The sequences of CCSDS 131.0-B against generated vectors (test/vectors/randomizer.json, whose "verified" says how far each was
// compared) and against the recurrences, stepped another way.
import fs from 'node:fs';
import { expect, test } from 'vitest';
import { addMask, type RandomizerName, randomizerSequence } from '../../src/bytes/randomizer.js';

type Vector = { id: string; hex: string; expect: { periodBits?: number; frame?: string }; verified: string };
const { vectors } = JSON.parse(fs.readFileSync(new URL('../vectors/randomizer.json', import.meta.url), 'utf8')) as {
  vectors: Vector[];
};
const byId = (id: string): Vector => vectors.find((vector) => vector.id === id)!;

const sequences: [RandomizerName, Vector][] = [
  ['legacy', byId('legacy-255')],
  ['new', byId('new-131071')],
];

test.each(sequences)('the %s sequence begins as its vector does', (name, { hex }) => {
  expect(Buffer.from(randomizerSequence(name, hex.length / 2)).toString('hex')).toBe(hex);
});

test.each(sequences)('the %s sequence repeats after its period and not before', (name, { expect: { periodBits } }) => {
  const period = periodBits!;
  const bytes = randomizerSequence(name, Math.ceil((2 * period) / 8) + 8);
  const bit = (n: number): number => (bytes[n >> 3]! >> (7 - (n & 7))) & 1;
  const repeats = (after: number): boolean =>
    Array.from({ length: 64 }, (_, n) => n).every((n) => bit(n) === bit(n + after));
  expect(Array.from({ length: period }, (_, n) => n + 1).filter(repeats)).toEqual([period]);
});

test('a shift register of 17 stages, stepped bit by bit, gives the new sequence', () => {
  // Stage 1 leaves; what enters at the other end is stage 1 + stage 15.
  let stages = [...'00011100011100011'].map(Number);
  const bits: number[] = [];
  for (let n = 0; n < 8 * 3000; n++) {
    bits.push(stages[0]!);
    stages = [...stages.slice(1), stages[0]! ^ stages[14]!];
  }
  const bytes = Array.from({ length: 3000 }, (_, i) => Number.parseInt(bits.slice(8 * i, 8 * i + 8).join(''), 2));
  expect([...randomizerSequence('new', 3000)]).toEqual(bytes);
});

test.each([
  ['aos-1-cadu-legacy', 'legacy'],
  ['aos-1-cadu-new', 'new'],
] as const)('%s: adding the sequence turns the frame into what is sent, and back', (id, name) => {
  const sent = Buffer.from(byId(id).hex, 'hex').subarray(4);
  const frame = Buffer.from(byId(id).expect.frame!, 'hex');
  const target = new Uint8Array(frame.length);
  addMask(frame, 0, randomizerSequence(name, frame.length), target);
  expect(Buffer.from(target)).toEqual(sent);
  addMask(target, 0, randomizerSequence(name, frame.length), target);
  expect(Buffer.from(target)).toEqual(frame);
});
