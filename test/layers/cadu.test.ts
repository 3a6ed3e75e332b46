// CADUs (CCSDS 131.0-B) found in byte streams: what was sent is known, so what must come out is known as well. Vectors:
// test/vectors/randomizer.json and tm-aos.json, each with its source.
import fc from 'fast-check';
import { describe, expect, test } from 'vitest';
import { randomizerSequence } from '../../src/bytes/randomizer.js';
import { UsageError } from '../../src/errors.js';
import { cadu } from '../../src/layers/cadu.js';
import { mutate, randomFor } from '../support/mutate.js';
import { type Decoded, decodeStream, encode, hex, make, Taker, vectors, withCrc } from './cadu-material.js';
import { GARBAGE, garbage, noise, seeded } from './seeded.js';

const ASM = hex('1acffc1d');
const FRAME = 100;
const LENGTH = FRAME + 4;

/** A frame of noise that proves itself. */
const frame = (seed: number, size = FRAME): Buffer => withCrc(noise(size - 2, seed));
const frames = (count: number, size = FRAME): Buffer[] =>
  Array.from({ length: count }, (_, seed) => frame(seed + 1, size));
const xor = (a: Uint8Array, b: Uint8Array): Buffer => Buffer.from(a.map((byte, i) => byte ^ b[i]!));
const invert = (bytes: Uint8Array): Buffer => Buffer.from(bytes.map((byte) => byte ^ 0xff));
type Sequence = 'legacy' | 'new' | undefined;
const send = (bytes: Uint8Array, sequence?: Sequence): Buffer =>
  Buffer.concat([ASM, sequence ? xor(bytes, randomizerSequence(sequence, bytes.length)) : bytes]);
const sendAll = (all: readonly Uint8Array[], sequence?: Sequence): Buffer =>
  Buffer.concat(all.map((one) => send(one, sequence)));
const texts = (all: readonly Uint8Array[]): string[] => all.map((one) => Buffer.from(one).toString('hex'));
const decode = (bytes: Uint8Array, options: object = {}): Decoded =>
  decodeStream(cadu, { length: LENGTH, ...options }, bytes);
const damage = (bytes: Uint8Array, ...places: number[]): Buffer => {
  const damaged = Buffer.from(bytes);
  for (const at of places) damaged[at]! ^= 0x10;
  return damaged;
};

describe('vectors', () => {
  const ids = vectors('randomizer.json').filter(
    ([
      ,
      {
        expect: { frame: sent },
      },
    ]) => sent,
  );
  test('there are two', () => expect(ids.length).toBe(2));

  test.each(ids)('%s', (_, vector) => {
    const bytes = hex(vector.hex);
    const name = vector.id.endsWith('new') ? 'new' : 'legacy';
    const sent = vector.expect['frame'] as string;
    for (const randomized of [name, true]) {
      for (const recording of [bytes, invert(bytes)]) {
        const { texts: out, pieces, counts } = decode(recording, { length: bytes.length, randomized });
        expect(out).toEqual([sent]);
        expect(pieces[0]).toMatchObject({ at: 4, unit: 0, whole: true, afterGap: false });
        expect(counts).toMatchObject({ frames: 1, unproven: 0, skippedBytes: 0, [`${name} randomizer`]: 1 });
      }
    }
    expect(texts(encode(cadu, { length: bytes.length, randomized: name }, [hex(sent)]))).toEqual([vector.hex]);
  });

  test.each(vectors('tm-aos.json'))('%s, behind a marker', (_, { hex: sent, expect: { fecfOk } }) => {
    const { texts: out, counts } = decode(Buffer.concat([ASM, hex(sent)]), { length: sent.length / 2 + 4 });
    expect(out).toEqual([sent]);
    expect(counts).toMatchObject({ frames: 1, unproven: fecfOk === false ? 1 : 0 });
  });
});

describe('what is sent comes out', () => {
  test.each([
    ['plain', undefined, {}],
    ['with the legacy sequence', 'legacy', { randomized: 'legacy' }],
    ['with the new sequence', 'new', { randomized: 'new' }],
    ['with the legacy sequence, found out', 'legacy', { randomized: true }],
    ['with the new sequence, found out', 'new', { randomized: true }],
    ['plain, by markers alone', undefined, { check: 'none' }],
    ['with the new sequence, by markers alone', 'new', { check: 'none', randomized: 'new' }],
  ] as const)('%s, upright and inverted', (_, sequence, options) => {
    const sent = frames(7);
    const bytes = sendAll(sent, sequence);
    for (const recording of [bytes, invert(bytes)]) {
      const { texts: out, pieces, counts } = decode(recording, options);
      expect(out).toEqual(texts(sent));
      expect(pieces.map(({ at }) => at)).toEqual(sent.map((_, n) => n * LENGTH + 4));
      expect(pieces.some(({ afterGap }) => afterGap)).toBe(false);
      expect(counts).toMatchObject({ frames: 7, unproven: 0, inverted: recording === bytes ? 0 : 7, skippedBytes: 0 });
    }
  });

  test('a stream that turns over in the middle is turned back', () => {
    const sent = frames(8);
    const bytes = sendAll(sent, 'legacy');
    const turned = Buffer.concat([bytes.subarray(0, 4 * LENGTH), invert(bytes.subarray(4 * LENGTH))]);
    const { texts: out, counts } = decode(turned, { randomized: true });
    expect(out).toEqual(texts(sent));
    expect(counts).toMatchObject({ inverted: 4, skippedBytes: 0 });
  });

  test('a recording in which the sequence changes is read to the end', () => {
    const sent = frames(8);
    const bytes = Buffer.concat([sendAll(sent.slice(0, 4), 'new'), sendAll(sent.slice(4), 'legacy')]);
    const { texts: out, counts } = decode(bytes, { randomized: true });
    expect(out).toEqual(texts(sent));
    expect(counts).toMatchObject({ 'legacy randomizer': 4, 'new randomizer': 4 });
  });

  test('another marker is found by option', () => {
    const sent = frames(3);
    const bytes = encode(cadu, { length: FRAME + 6, marker: '0123456789ab' }, sent);
    expect(bytes[0]!.subarray(0, 6)).toEqual(hex('0123456789ab'));
    expect(decode(Buffer.concat(bytes), { length: FRAME + 6, marker: '0123456789AB' }).texts).toEqual(texts(sent));
  });

  test('encoding and decoding agree for frames and sequences of every kind', () => {
    fc.assert(
      fc.property(
        fc.integer({ min: 4, max: 600 }),
        fc.integer({ min: 1, max: 9 }),
        fc.constantFrom(false, true, 'legacy', 'new'),
        fc.integer(),
        (size, count, randomized, seed) => {
          const sent = Array.from({ length: count }, (_, n) => frame(seed + n, size));
          const options = { length: size + 4, randomized };
          expect(decode(Buffer.concat(encode(cadu, options, sent)), options).texts).toEqual(texts(sent));
        },
      ),
      { seed: 131, numRuns: 60 },
    );
  });
});

describe('damage', () => {
  test.each(GARBAGE)('%s before, between and after costs no frame', (kind) => {
    const sent = frames(6);
    for (const size of [1, 3, 4, 50, LENGTH - 1, LENGTH, LENGTH + 1, 1000]) {
      const g = (seed: number): Buffer => garbage(kind, size, seed);
      const bytes = Buffer.concat([g(1), sendAll(sent.slice(0, 3)), g(2), sendAll(sent.slice(3)), g(3)]);
      const { texts: out, pieces } = decode(bytes);
      // Garbage as long as a frame stands where one is due, and is handed on for the next layer to reject.
      expect(out.filter((one) => texts(sent).includes(one))).toEqual(texts(sent));
      if (size !== LENGTH) expect(out.length).toBe(6);
      expect(pieces[0]!.afterGap).toBe(true);
    }
  });

  test('a wrong byte costs its frame at most, wherever it is', () => {
    const sent = frames(5);
    const bytes = sendAll(sent, 'legacy');
    for (let at = 0; at < bytes.length; at += 3) {
      const { texts: out } = decode(damage(bytes, at), { randomized: true });
      const hit = Math.floor(at / LENGTH);
      for (const [n, text] of texts(sent).entries()) if (n !== hit) expect(out).toContain(text);
    }
  });

  test('a damaged marker costs nothing where the frame is due and proves itself', () => {
    const sent = frames(6);
    const { texts: out, counts } = decode(damage(sendAll(sent), 2 * LENGTH, 3 * LENGTH + 1, 5 * LENGTH + 2));
    expect(out).toEqual(texts(sent));
    expect(counts).toMatchObject({ frames: 6, unproven: 0, markersDamaged: 3 });
  });

  test('a damaged frame is handed on, for its layer to count', () => {
    const sent = frames(5);
    const { texts: out, counts } = decode(damage(sendAll(sent), 2 * LENGTH + 50));
    expect(out.length).toBe(5);
    expect(counts).toMatchObject({ frames: 5, unproven: 1, skippedBytes: 0 });
  });

  test('missing bytes cost the frames they were in, inserted ones likewise', () => {
    const sent = frames(8);
    const bytes = sendAll(sent, 'new');
    const random = seeded(8);
    for (let round = 0; round < 60; round++) {
      const from = Math.floor(random() * bytes.length);
      const size = 1 + Math.floor(random() ** 2 * 2.5 * LENGTH);
      const until = Math.min(bytes.length, from + size);
      const cut = Buffer.concat([bytes.subarray(0, from), bytes.subarray(until)]);
      const intact = texts(sent).filter((_, n) => (n + 1) * LENGTH <= from || n * LENGTH >= until);
      expect(decode(cut, { randomized: true }).texts.filter((one) => texts(sent).includes(one))).toEqual(intact);

      const grown = Buffer.concat([bytes.subarray(0, from), noise(size, round), bytes.subarray(from)]);
      const untouched = texts(sent).filter((_, n) => (n + 1) * LENGTH <= from || n * LENGTH >= from);
      expect(decode(grown, { randomized: true }).texts.filter((one) => texts(sent).includes(one))).toEqual(untouched);
    }
  });

  test.each([1, 2, 10])('%i %% of the units damaged or dropped costs no other', (percent) => {
    fc.assert(
      fc.property(fc.integer(), fc.constantFrom<Sequence>(undefined, 'legacy', 'new'), (seed, sequence) => {
        const random = seeded(seed);
        const sent = Array.from({ length: 100 }, (_, n) => frame(seed + n));
        const safe: string[] = [];
        const parts = sent.map((one) => {
          const bytes = send(one, sequence);
          if (random() * 100 >= percent) {
            safe.push(one.toString('hex'));
            return bytes;
          }
          if (random() < 0.3) return Buffer.alloc(0);
          return damage(
            bytes,
            ...Array.from({ length: 1 + Math.floor(random() * 5) }, () => Math.floor(random() * LENGTH)),
          );
        });
        // What begins the recording has no grid yet: a damaged marker there costs its frame.
        const out = decode(Buffer.concat(parts), { randomized: sequence !== undefined }).texts;
        const outSet = new Set(out);
        expect(safe.filter((text) => !outSet.has(text))).toEqual([]);
      }),
      { seed: percent, numRuns: 8 },
    );
  });

  test('wrong bits in a marker are allowed as far as the option says, without a check as well', () => {
    const sent = frames(6);
    const bytes = Buffer.from(sendAll(sent));
    bytes[3 * LENGTH]! ^= 0b11;
    bytes[3 * LENGTH + 3]! ^= 0b1;
    const { texts: out, counts } = decode(bytes, { check: 'none', bitErrors: 3 });
    expect(out).toEqual(texts(sent));
    expect(counts).toMatchObject({ markersDamaged: 1, unproven: 0 });
  });

  test('by markers alone: a missing stretch costs the frames it was in', () => {
    const sent = frames(10);
    const bytes = sendAll(sent);
    const random = seeded(10);
    for (let round = 0; round < 40; round++) {
      const from = LENGTH + Math.floor(random() * (bytes.length - 4 * LENGTH));
      const until = from + 1 + Math.floor(random() * 2 * LENGTH);
      const cut = Buffer.concat([bytes.subarray(0, from), bytes.subarray(until)]);
      const intact = texts(sent).filter((_, n) => (n + 1) * LENGTH <= from || n * LENGTH >= until);
      expect(decode(cut, { check: 'none' }).texts.filter((one) => texts(sent).includes(one))).toEqual(intact);
    }
  });

  test('by markers alone: behind a cut, the second of two markers to come proves a frame', () => {
    const sent = frames(7);
    const bytes = damage(sendAll(sent), 3 * LENGTH + 1);
    const cut = Buffer.concat([bytes.subarray(0, LENGTH + 60), bytes.subarray(LENGTH + 90)]);
    const { texts: out } = decode(cut, { check: 'none' });
    expect(out).toEqual(texts(sent.filter((_, n) => n !== 1)));
  });

  test('by markers alone, nothing is joined across a gap', () => {
    const [first, second] = frames(2);
    const bytes = sendAll([first!, second!]);
    for (const [check, expected] of [
      ['none', [second!]],
      ['fecf', [first!, second!]],
    ] as const) {
      const taker = new Taker();
      const decoder = make(cadu, { length: LENGTH, check }, taker);
      decoder.push(bytes, 0, 50, 0, -1);
      decoder.gap();
      decoder.push(bytes, 50, bytes.length, 50, -1);
      decoder.end();
      expect(taker.texts).toEqual(texts(expected));
    }
  });

  test('CADUs that each lie in a packet of the layer below are not joined across it', () => {
    const sent = frames(3);
    const taker = new Taker();
    const decoder = make(cadu, { length: LENGTH }, taker);
    for (const one of sent) {
      const bytes = Buffer.concat([send(one), send(one).subarray(0, 30)]);
      decoder.push(bytes, 0, bytes.length, 0, 0);
      decoder.unitEnd();
    }
    expect(taker.texts).toEqual(texts(sent));
    expect(decoder.counts()).toMatchObject({ frames: 3, cut: 3, skippedBytes: 90 });
  });
});

describe('data that look like markers', () => {
  /** Frames with markers inside, at places of their own or all at the same. */
  const disguised = (count: number, at: (n: number) => number[]): Buffer[] =>
    Array.from({ length: count }, (_, n) => {
      const bytes = noise(FRAME - 2, n + 50);
      for (const place of at(n)) bytes.set(n % 3 === 0 ? invert(ASM) : ASM, place);
      return withCrc(bytes);
    });
  const random = seeded(77);
  const anywhere = (): number[] => [0, 1, 2].map(() => Math.floor(random() * (FRAME - 6)));

  test.each([
    ['all at the same place, a second grid', () => [40]],
    ['anywhere', anywhere],
  ])('%s, are data: no frame is lost after a cut, in damage, or where a recording begins', (_, at) => {
    for (let round = 0; round < 15; round++) {
      const sent = disguised(9, at);
      const bytes = sendAll(sent);
      const begin = Math.floor(random() * LENGTH);
      const from = 3 * LENGTH + Math.floor(random() * LENGTH);
      const until = from + 1 + Math.floor(random() * LENGTH);
      const recording = Buffer.concat([bytes.subarray(begin, from), bytes.subarray(until)]);
      const hit = 7 * LENGTH + 4 + Math.floor(random() * FRAME);
      recording[hit - begin - (until - from)]! ^= 1;
      const intact = texts(sent).filter(
        (_, n) =>
          n * LENGTH >= begin &&
          ((n + 1) * LENGTH <= from || n * LENGTH >= until) &&
          (hit < n * LENGTH || hit >= (n + 1) * LENGTH),
      );
      expect(decode(recording).texts.filter((one) => texts(sent).includes(one))).toEqual(intact);
    }
  });

  test('a false frame whose check passes by accident does not outweigh the grid', () => {
    // In frame 3, damaged, a marker stands so that the frame behind it, made to pass its check, ends inside frame 4.
    const sent = frames(7).map((one) => Buffer.from(one));
    const place = 3 * LENGTH + 4 + 60;
    const bytes = sendAll(sent);
    bytes.set(ASM, place);
    bytes.set(withCrc(bytes.subarray(place + 4, place + LENGTH - 2)), place + 4);
    const fourth = 4 * LENGTH + 4;
    const repaired = withCrc(bytes.subarray(fourth, fourth + FRAME - 2));
    bytes.set(repaired, fourth);
    expect(decode(bytes.subarray(place)).texts[0]).toBe(bytes.subarray(place + 4, place + LENGTH).toString('hex'));
    const { texts: out } = decode(bytes);
    expect(out).toContain(repaired.toString('hex'));
    expect(out.length).toBe(7);
  });

  test('nothing but markers is read in bounded time', () => {
    const bytes = Buffer.alloc(1 << 18, ASM);
    const taker = new Taker();
    const decoder = make(cadu, { length: 1119, randomized: true }, taker);
    const started = performance.now();
    decoder.push(bytes, 0, bytes.length, 0, -1);
    decoder.end();
    expect(performance.now() - started).toBeLessThan(5000);
  });
});

describe('options', () => {
  test.each([
    [{}, 'length'],
    [{ length: 7 }, 'length'],
    [{ length: 100, marker: '1ACFFC1' }, 'marker'],
    [{ length: 100, marker: 'nothex00' }, 'marker'],
    [{ length: 100, bitErrors: -1 }, 'bitErrors'],
    [{ length: 100, marker: '1ACF', bitErrors: 5 }, 'bitErrors'],
    [{ length: 100, randomized: 'other' }, 'randomized'],
    [{ length: 100, randomized: true, check: 'none' }, 'randomized'],
    [{ length: 100, lenght: 1 }, 'lenght'],
  ])('%j is refused', (options, named) => {
    const { error } = cadu.options.safeParse(options);
    expect(JSON.stringify(error!.issues)).toContain(named);
  });

  test('the encoder refuses frames of another length', () => {
    expect(() => encode(cadu, { length: LENGTH }, [Buffer.alloc(FRAME + 1)])).toThrow(UsageError);
  });
});

test('1,000 mutated recordings: no crash, and every frame that proves itself was sent or mutated', () => {
  const random = randomFor(31, 'cadu');
  const sent = frames(30, 60);
  const recordings = [sendAll(sent), sendAll(sent, 'legacy'), invert(sendAll(sent, 'new'))];
  for (let round = 0; round < 1000; round++) {
    const options = [{}, { randomized: true }, { check: 'none', randomized: 'new', bitErrors: 2 }][round % 3]!;
    const bytes = mutate(recordings[round % 3]!, random);
    const taker = new Taker();
    const decoder = make(cadu, { length: 64, ...options }, taker);
    for (let at = 0; at < bytes.length; ) {
      const end = Math.min(bytes.length, at + 1 + Math.floor(random() * 500));
      decoder.push(bytes, at, end, at, -1);
      at = end;
    }
    decoder.end();
    const counts = decoder.counts();
    expect(taker.pieces.length).toBe(counts['frames']);
    expect(counts['frames']! * 64 + counts['skippedBytes']!).toBe(bytes.length);
    for (const { at } of taker.pieces) expect(at).toBeLessThan(bytes.length);
  }
});
