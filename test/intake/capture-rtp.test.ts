import fc from 'fast-check';
import { describe, expect, test } from 'vitest';
import { openRecordings } from '../../src/intake/open-recordings.js';
import { RtpPacket, readRtpHeader, writeRtpPacket } from '../../src/intake/rtp-packet.js';
import { RtpReceiver } from '../../src/intake/rtp-receiver.js';
import { RtpVote } from '../../src/intake/rtp-vote.js';
import { writeModeAdaptation } from '../../src/layers/mode-adaptation.js';
import { noise, seeded } from '../layers/seeded.js';
import { mutate, randomFor } from '../support/mutate.js';
import { datagrams, joined, pcap, readBlocks } from './capture-material.js';
import { workFolder } from './material.js';

const folder = workFolder();

const rtp = (payload: Uint8Array, sequence: number, ssrc = 0x1234): Uint8Array =>
  writeRtpPacket({ payloadType: 33, sequence, timestamp: sequence * 900, ssrc }, payload);

const payloads = Array.from({ length: 300 }, (_, i) => noise(100 + (i % 50), i));
const all = Buffer.concat(payloads);

/** Feeds packets to a receiver; gives what came out: payloads, and `-` for each gap. */
function received(packets: readonly Uint8Array[]): {
  events: (Buffer | '-')[];
  counts: ReturnType<RtpReceiver['counts']>;
} {
  const events: (Buffer | '-')[] = [];
  const receiver = new RtpReceiver({
    payload: (bytes, start, end) => void events.push(Buffer.from(bytes.subarray(start, end))),
    gap: () => void events.push('-'),
  });
  for (const packet of packets) receiver.payload(packet, 0, packet.length, 0);
  receiver.end();
  return { events, counts: receiver.counts() };
}

const data = (events: readonly (Buffer | '-')[]): Buffer => Buffer.concat(events.filter((event) => event !== '-'));

test('the header read by offset is what the layout says', () => {
  fc.assert(
    fc.property(fc.uint8Array({ minLength: 12, maxLength: 200 }), (bytes) => {
      bytes[0] = 0x80 | (bytes[0]! & 15);
      const header = readRtpHeader(bytes);
      const packet = new RtpPacket();
      const fits = 12 + 4 * header.csrcCount <= bytes.length && (header.payloadType < 72 || header.payloadType > 76);
      expect(packet.read(bytes, 0, bytes.length)).toBe(fits);
      if (!fits) return;
      expect(packet).toMatchObject({ payloadType: header.payloadType, sequence: header.sequence, ssrc: header.ssrc });
      expect(packet.payloadStart).toBe(12 + 4 * header.csrcCount);
    }),
  );
});

test('CSRCs, header extension and padding are taken off', () => {
  const plain = rtp(Buffer.from('clouds'), 7);
  const dressed = Buffer.concat([
    Buffer.of(0x80 | 0x20 | 0x10 | 2),
    plain.subarray(1, 12),
    Buffer.alloc(8, 0xcc),
    Buffer.from('beef0001', 'hex'),
    Buffer.alloc(4, 0xee),
    plain.subarray(12),
    Buffer.of(0, 0, 3),
  ]);
  expect(received([dressed]).events).toEqual([Buffer.from('clouds')]);
});

describe('order', () => {
  test.each([0, 65400])('packets swapped within the window find their places, numbers from %i on', (first) => {
    const random = seeded(3);
    const packets = payloads.map((payload, i) => ({
      packet: rtp(payload, first + i),
      key: i + (i === 0 ? 0 : random() * 20),
    }));
    const { events, counts } = received(packets.sort((a, b) => a.key - b.key).map(({ packet }) => packet));
    expect(events.includes('-')).toBe(false);
    expect(data(events).equals(all)).toBe(true);
    expect(counts).toMatchObject({ rtpPackets: 300, rtpLost: 0, rtpLate: 0 });
  });

  test('packets that come twice are dropped', () => {
    const twice = payloads.flatMap((payload, i) => [rtp(payload, i), rtp(payload, i)]);
    const { events, counts } = received(twice);
    expect(data(events).equals(all)).toBe(true);
    expect(counts.rtpLate).toBe(300);
  });

  test.each([1, 2, 10])(
    'of every hundred packets %i lost: only they are missing, and each hole is marked',
    (percent) => {
      const random = seeded(percent);
      const kept = payloads
        .map((payload, i) => ({ payload, i }))
        .filter(({ i }) => i === 0 || random() * 100 >= percent);
      const { events, counts } = received(kept.map(({ payload, i }) => rtp(payload, 65500 + i)));
      const expected = kept.flatMap(({ payload, i }, k) =>
        k > 0 && kept[k - 1]!.i !== i - 1 ? ['-' as const, payload] : [payload],
      );
      expect(events).toEqual(expected);
      // Loss after the last packet that came is known to nobody.
      expect(counts.rtpLost).toBe(kept.at(-1)!.i + 1 - kept.length);
    },
  );

  test('a sender that begins anew, with another number or another source, goes on behind a gap', () => {
    const anew = payloads.map((payload, i) =>
      rtp(payload, i < 100 ? i : i < 200 ? 30_000 + i : 50 + i, i < 200 ? 1 : 2),
    );
    const { events } = received(anew);
    expect(data(events).equals(all)).toBe(true);
    expect(events.filter((event) => event === '-')).toHaveLength(2);
    expect([events[100], events[201]]).toEqual(['-', '-']);
  });

  test('a stray number does not hold anything up', () => {
    const packets = payloads.map((payload, i) => rtp(payload, i));
    packets.splice(10, 0, rtp(Buffer.from('stray'), 40_000));
    const { events, counts } = received([...packets, ...payloads.map((payload, i) => rtp(payload, 300 + i))]);
    expect(data(events).equals(Buffer.concat([all, all]))).toBe(true);
    expect(counts).toMatchObject({ rtpLate: 1, rtpLost: 0 });
  });
});

describe('the vote', () => {
  const vote = (packets: readonly Uint8Array[]): boolean => {
    const own = new RtpVote();
    for (const packet of packets) own.add(packet, 0, packet.length);
    return own.isRtp;
  };

  test('RTP is RTP, with losses and changes of order too', () => {
    expect(vote(payloads.map((payload, i) => rtp(payload, 65530 + i)))).toBe(true);
    expect(
      vote(payloads.filter((_, i) => i % 7 !== 3).map((payload, i) => rtp(payload, i % 10 === 4 ? i - 1 : i))),
    ).toBe(true);
  });

  test.each<[string, Uint8Array[]]>([
    ['noise', payloads],
    ['three packets are too few', payloads.slice(0, 3).map((payload, i) => rtp(payload, i))],
    ['two sources', payloads.map((payload, i) => rtp(payload, i, i % 2))],
    ['numbers that do not go up', payloads.map((payload, i) => rtp(payload, (i * 7919) & 0xffff))],
    ['one packet that is none', [...payloads.slice(0, 30).map((payload, i) => rtp(payload, i)), noise(50, 1)]],
    [
      'transport stream packets',
      payloads.map((payload) => Buffer.concat([Buffer.of(0x47, 0x1f, 0xff, 0x10), payload])),
    ],
    [
      // Made to fit in all else: the modulation byte as payload type, Es/N0 and frame number rising, ten equal bytes behind.
      'baseband frames behind L.3 headers',
      payloads.map((_, i) =>
        Buffer.concat([
          writeModeAdaptation({ type: 'L.3', modcod: 4, pilots: true, short: false, esN0: 7, frameNumber: i }),
          Buffer.alloc(300, 0),
          Buffer.of(1),
        ]),
      ),
    ],
  ])('%s: not RTP', (_, packets) => {
    expect(vote(packets)).toBe(false);
  });
});

test('in a capture RTP is undone, and a hole begins a new block that says so', async () => {
  const packets = payloads.map((payload, i) => rtp(payload, 65400 + i));
  packets.splice(200, 3);
  packets.splice(51, 0, packets.splice(50, 1)[0]!);
  const { recordings } = await openRecordings([folder.put('rtp.pcap', pcap(datagrams(packets, {}, 1)))]);
  const blocks = await readBlocks(recordings[0]!);
  expect(joined(blocks).equals(Buffer.concat([...payloads.slice(0, 200), ...payloads.slice(203)]))).toBe(true);
  expect(blocks.map(({ at, gap }) => [at, gap])).toEqual([
    [0, false],
    [Buffer.concat(payloads.slice(0, 200)).length, true],
  ]);
  expect(recordings[0]!.counts!()).toMatchObject({ rtpPackets: 297, rtpLost: 3 });
});

test('1,000 flows with mutated packets: no crash, and no payload that was not in a packet', () => {
  for (let seed = 0; seed < 1000; seed++) {
    const random = randomFor(seed, 'rtp');
    const packets = payloads
      .slice(0, 40)
      .map((payload, i) => (random() < 0.1 ? mutate(rtp(payload, i), random) : rtp(payload, i)));
    const { events, counts } = received(packets);
    expect(data(events).length).toBeLessThanOrEqual(packets.reduce((sum, { length }) => sum + length, 0));
    expect(counts.rtpPackets + counts.notRtp).toBe(40);
  }
});
