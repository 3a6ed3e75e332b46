// Damaged captures: whatever was done to the file, what comes out are payloads that were sent, or what a mutation made of one.
import { expect, test } from 'vitest';
import { CaptureFlows } from '../../src/intake/capture-flows.js';
import { PcapParser } from '../../src/intake/pcap.js';
import { PcapngParser } from '../../src/intake/pcapng.js';
import { cuts, noise } from '../layers/seeded.js';
import { mutate, randomFor } from '../support/mutate.js';
import { datagrams, pcap, pcapng } from './capture-material.js';

const payloads = Array.from({ length: 60 }, (_, i) => noise(20 + ((i * 37) % 700), i));
const sent = new Set(payloads.map((payload) => payload.toString('hex')));
const packets = datagrams(payloads);

function read(format: 'pcap' | 'pcapng', bytes: Buffer, size: () => number): { payloads: string[]; lost: number } {
  const result = { payloads: [] as string[], lost: 0 };
  const flows = new CaptureFlows(
    {
      payload: (_, of, start, end) => void result.payloads.push(Buffer.from(of.subarray(start, end)).toString('hex')),
      lost: () => result.lost++,
    },
    { checksums: true },
  );
  const parser = format === 'pcap' ? new PcapParser(flows) : new PcapngParser(flows);
  for (let at = 0; at < bytes.length; ) {
    const end = Math.min(at + size(), bytes.length);
    const lent = Buffer.from(bytes.subarray(at, end));
    parser.push(lent);
    lent.fill(0xee);
    at = end;
  }
  parser.end();
  return result;
}

test.each([
  ['pcap', pcap(packets)],
  ['pcap', pcap(packets, { order: 'big', nanoseconds: true })],
  ['pcapng', pcapng(packets)],
  ['pcapng', pcapng(packets, 'big')],
] as const)(
  '1,000 mutations of a %s: an end, the rest of the packets, and the same however it is cut',
  (format, file) => {
    let intact = 0;
    let recognised = 0;
    for (let seed = 0; seed < 1000; seed++) {
      const mutated = mutate(file, randomFor(seed, 'capture'));
      const whole = read(format, mutated, () => Number.POSITIVE_INFINITY);
      if (mutated.subarray(0, 24).equals(file.subarray(0, 24))) {
        recognised++;
        intact += whole.payloads.filter((payload) => sent.has(payload)).length;
      }
      expect(whole.payloads.length).toBeLessThanOrEqual(3 * payloads.length);
      if (seed % 20 === 0)
        for (const { next } of cuts(seed).slice(1)) expect(read(format, mutated, next)).toEqual(whole);
    }
    // Mutations cut off, cut out or overwrite some of the packets: the test would prove nothing if they were most.
    expect(recognised).toBeGreaterThan(500);
    expect(intact).toBeGreaterThan(0.6 * recognised * payloads.length);
  },
);

test('a file of nothing but zeros, ones or noise behind a good header ends quickly and gives nothing', () => {
  for (const format of ['pcap', 'pcapng'] as const) {
    const head = (format === 'pcap' ? pcap([]) : pcapng([])) as Buffer;
    for (const rest of [
      Buffer.alloc(1 << 22),
      Buffer.alloc(1 << 22, 1),
      Buffer.alloc(1 << 22, 0xff),
      noise(1 << 22, 1),
    ]) {
      expect(read(format, Buffer.concat([head, rest]), () => 1 << 16).payloads).toEqual([]);
    }
  }
});
