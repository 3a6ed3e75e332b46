import fc from 'fast-check';
import { expect, test } from 'vitest';
import { RollingBuffer } from '../../src/bytes/rolling-buffer.js';
import { noise } from '../layers/seeded.js';

test('holds what was appended and not yet consumed, in order', () => {
  const step = fc.record({
    append: fc.oneof(fc.nat(100), fc.nat(40000)),
    consume: fc.double({ min: 0, max: 1, noNaN: true }),
  });
  fc.assert(
    fc.property(fc.array(step, { maxLength: 30 }), fc.boolean(), (steps, clears) => {
      const buffer = new RollingBuffer();
      let model = Buffer.alloc(0);
      steps.forEach(({ append, consume }, n) => {
        const source = noise(append + 10, n);
        buffer.append(source, 3, 3 + append);
        model = Buffer.concat([model, source.subarray(3, 3 + append)]);
        source.fill(0); // lent, not kept
        expect(buffer.length).toBe(model.length);
        expect(buffer.bytes.subarray(buffer.start, buffer.end).equals(model)).toBe(true);
        const size = Math.floor(consume * model.length);
        buffer.start += size;
        model = model.subarray(size);
        if (clears && n % 7 === 6) {
          buffer.clear();
          model = Buffer.alloc(0);
        }
      });
    }),
    { seed: 1, numRuns: 200 },
  );
});

test('does not grow with what passes through it, only with what waits in it', () => {
  const buffer = new RollingBuffer();
  const block = noise(4016, 1);
  for (let n = 0; n < 5000; n++) {
    buffer.append(block, 0, block.length);
    buffer.start = Math.max(buffer.start, buffer.end - 1000);
  }
  expect(buffer.length).toBe(1000);
  expect(buffer.bytes.length).toBe(16384);
  for (let n = 0; n < 100; n++) buffer.append(block, 0, block.length);
  expect(buffer.bytes.length).toBeLessThan(4 * buffer.length);
});
