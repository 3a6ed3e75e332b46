import { readFileSync } from 'node:fs';
import { gzipSync } from 'node:zlib';
import { describe, expect, test } from 'vitest';
import { RecordingError } from '../../src/errors.js';
import { CaptureFlows } from '../../src/intake/capture-flows.js';
import { openRecordings } from '../../src/intake/open-recordings.js';
import { PcapParser, readPcapHeader, readPcapRecordHeader } from '../../src/intake/pcap.js';
import { PcapngParser, PcapngWriter, readEnhancedPacketHeader } from '../../src/intake/pcapng.js';
import { captureFormat } from '../../src/intake/recognise.js';
import { cuts, noise, seeded } from '../layers/seeded.js';
import {
  datagrams,
  ethernet,
  ipPackets,
  joined,
  type Packet,
  pcap,
  pcapng,
  readBlocks,
  START,
} from './capture-material.js';
import { makeZip, openWith, workFolder } from './material.js';

const folder = workFolder();

const open = async (name: string, bytes: Uint8Array, options = {}) =>
  openRecordings([folder.put(name, bytes)], options);

const payloads = Array.from({ length: 200 }, (_, i) => noise(1 + ((i * 37) % 1400), i));

type FileVector = { id: string; hex: string; expect: { timeEpoch: string; dport: number }; verified: string };
const { vectors } = JSON.parse(readFileSync(new URL('../vectors/capture-files.json', import.meta.url), 'utf8')) as {
  vectors: FileVector[];
};

describe.each(vectors.map((vector) => [vector.id, vector.verified, vector] as const))('%s (%s)', (id, _, vector) => {
  const bytes = Buffer.from(vector.hex, 'hex');

  test.each(cuts(4))('gives its packet, fed $name', ({ next }) => {
    const got: { to: string; payload: string; time: number }[] = [];
    const flows = new CaptureFlows(
      {
        payload: (to, of, start, end, time) =>
          void got.push({ to, payload: Buffer.from(of.subarray(start, end)).toString(), time }),
        lost: () => expect.unreachable('nothing is lost'),
      },
      { checksums: true },
    );
    const parser = captureFormat(bytes) === 'pcapng' ? new PcapngParser(flows) : new PcapParser(flows);
    for (let at = 0; at < bytes.length; ) {
      const size = Math.min(next(), bytes.length - at);
      parser.push(bytes.subarray(at, at + size));
      at += size;
    }
    parser.end();
    expect(got).toHaveLength(1);
    expect(got[0]).toMatchObject({ to: `UDP 224.0.0.1:${vector.expect.dport}`, payload: 'HELLO' });
    // A double holds a quarter of a microsecond at this date.
    expect(got[0]!.time / 1000).toBeCloseTo(Number(vector.expect.timeEpoch), 6);
    expect(flows.counts()).toMatchObject({ captured: 1, udpChecksumsWrong: 0, headerChecksumsWrong: 0 });
  });

  test('opens as one recording of its flow', async () => {
    const { recordings, problems } = await open(`${id}.bin`, bytes);
    expect(problems).toEqual([]);
    expect(recordings.map(({ container, name, station }) => [container, name, station])).toEqual([
      ['capture', `${folder.path}/${id}.bin, UDP 224.0.0.1:40002`, id],
    ]);
    expect(joined(await readBlocks(recordings[0]!)).toString()).toBe('HELLO');
    expect(recordings[0]!.startedAt).toBeCloseTo(Number(vector.expect.timeEpoch) * 1000, 2);
  });
});

test('what is read by offset is what the layouts say', () => {
  for (const order of ['big', 'little'] as const) {
    const packet = { bytes: noise(60, 1), time: START + 123.456 };
    const file = pcap([packet], { order, linkType: 228, nanoseconds: true, snapLength: 50 });
    expect(readPcapHeader(file)).toMatchObject({ order, major: 2, minor: 4, snapLength: 50, linkType: 228 });
    const record = readPcapRecordHeader(file.subarray(24), order);
    expect(record).toMatchObject({ seconds: START / 1000, captured: 50, original: 60 });
    const blocks = pcapng([packet], order);
    const at = blocks.length - 32 - 60;
    expect(readEnhancedPacketHeader(blocks.subarray(at), order)).toMatchObject({
      type: 6,
      length: 92,
      interface: 0,
      captured: 60,
      original: 60,
    });
  }
});

const forms: Record<string, (packets: readonly Packet[]) => Buffer> = {
  'pcap, microseconds, little endian': (packets) => pcap(packets),
  'pcap, nanoseconds, big endian': (packets) => pcap(packets, { order: 'big', nanoseconds: true }),
  'pcapng, little endian': (packets) => pcapng(packets),
  'pcapng, big endian': (packets) => pcapng(packets, 'big'),
};

describe.each(Object.entries(forms))('%s', (name, make) => {
  const file = make(datagrams(payloads));
  const expected = Buffer.concat(payloads);

  test.each([
    ['as it is', 'plain.bin', (bytes: Buffer) => bytes],
    ['in a gzip', 'packed.gz', (bytes: Buffer) => gzipSync(bytes)],
    ['in a stored zip', 'stored.zip', (bytes: Buffer) => makeZip([{ name: 'a.bin', bytes, compress: false }])],
    ['in a deflated zip', 'deflated.zip', (bytes: Buffer) => makeZip([{ name: 'a.bin', bytes }])],
    ['in a gzip in a zip', 'both.zip', (bytes: Buffer) => makeZip([{ name: 'a.gz', bytes: gzipSync(bytes) }])],
  ])('%s gives the payloads in order, each time it is read', async (_, archive, pack) => {
    const { recordings, problems } = await open(archive, await pack(file));
    expect(problems).toEqual([]);
    expect(recordings).toHaveLength(1);
    for (let time = 0; time < 2; time++) {
      const blocks = await readBlocks(recordings[0]!);
      expect(joined(blocks).equals(expected)).toBe(true);
      expect(blocks.some(({ gap }) => gap)).toBe(false);
    }
    expect(recordings[0]!.counts?.()).toMatchObject({ captured: 200, repeats: 0, udpChecksumsWrong: 0 });
  });

  test.each([1 << 16, 4097, 97])('gives the same in blocks of %i', async (blockBytes) => {
    const { recordings } = await open('plain.bin', file, { blockBytes });
    const blocks = await readBlocks(recordings[0]!);
    expect(joined(blocks).equals(expected)).toBe(true);
    for (const { bytes } of blocks) expect(bytes.length).toBeLessThanOrEqual(blockBytes);
  });

  test('gives the same when the disk gives one byte at a time', async () => {
    const short = make(datagrams(payloads.slice(0, 5)));
    const { recordings } = await open('slow.bin', short, {
      open: openWith((read) => (into, at) => read(into.subarray(0, 1), at)),
    });
    expect(joined(await readBlocks(recordings[0]!)).equals(Buffer.concat(payloads.slice(0, 5)))).toBe(true);
  });

  test('cut anywhere it gives the packets that are whole', async () => {
    const random = seeded(5);
    const sizes = payloads.map((payload) => make(datagrams([payload])).length);
    const overhead = make([]).length;
    for (let i = 0; i < 30; i++) {
      const cut = Math.floor(random() * file.length);
      let whole = 0;
      for (let at = overhead; whole < 200 && at + sizes[whole]! - overhead <= cut; whole++)
        at += sizes[whole]! - overhead;
      const { recordings, problems } = await open('cut.bin', file.subarray(0, cut));
      if (whole === 0) expect(problems).toHaveLength(1);
      else expect(joined(await readBlocks(recordings[0]!)).equals(Buffer.concat(payloads.slice(0, whole)))).toBe(true);
    }
  });

  test.each([1, 2, 10])(
    'of every hundred records %i damaged or taken out: only they are missing, and the loss is marked',
    async (percent) => {
      const random = seeded(percent);
      const own = Array.from({ length: 600 }, (_, i) => noise(100 + ((i * 37) % 1300), i));
      const head = make([]);
      const pieces: Buffer[] = [head];
      const kept: Buffer[] = [];
      let damaged = 0;
      own.forEach((payload, i) => {
        const record = Buffer.from(
          make([{ bytes: ethernet(ipPackets(payload, { id: i + 1 })[0]!), time: START + i }]).subarray(head.length),
        );
        const isHit = random() * 100 < percent && i > 0;
        if (!isHit) kept.push(payload);
        else if (random() < 0.3)
          return; // nobody can tell that it is missing
        else {
          damaged++;
          // The record's own header: lengths, or all of it.
          const how = Math.floor(random() * 3);
          if (how === 0) record.fill(0xff, 0, 28);
          else if (how === 1) record.fill(noise(28, i), 0, 28);
          else record.writeUInt32LE(0x12345678, name.startsWith('pcapng') ? 4 : 8);
        }
        pieces.push(record);
      });
      const { recordings } = await open('damaged.bin', Buffer.concat(pieces));
      const blocks = await readBlocks(recordings[0]!);
      const got = joined(blocks);
      expect(damaged).toBeGreaterThan(0);
      expect(got.equals(Buffer.concat(kept))).toBe(true);
      expect(blocks.filter(({ gap }) => gap).length).toBeGreaterThan(0);
      expect(recordings[0]!.counts!()['damagedStretches']).toBeLessThanOrEqual(damaged);
    },
  );
});

describe('flows', () => {
  const [first, second, third] = [10, 20, 30].map((seed) =>
    Array.from({ length: 20 }, (_, i) => noise(500, seed * 100 + i)),
  );
  const mixed = [
    ...datagrams(first!, { port: 5005 }),
    ...datagrams(second!, { port: 5006 }, 7),
    ...datagrams(third!, { address: 'ff15::5', port: 5005 }, 13),
  ].sort((a, b) => a.time - b.time);

  test('each UDP destination is a recording, in the order in which they began', async () => {
    const { recordings } = await open('mixed.pcap', pcap(mixed));
    expect(recordings.map(({ name }) => name.split(', ')[1])).toEqual([
      'UDP 239.1.1.1:5005',
      'UDP 239.1.1.1:5006',
      'UDP [ff15::5]:5005',
    ]);
    for (const [i, all] of [first!, second!, third!].entries()) {
      expect(joined(await readBlocks(recordings[i]!)).equals(Buffer.concat(all))).toBe(true);
    }
  });

  test('of more flows than the limit the largest are taken', async () => {
    const small = datagrams([noise(10, 1)], { port: 53 });
    const { recordings } = await open('limited.pcap', pcap([...small, ...mixed]), { limits: { flows: 3 } });
    expect(recordings.map(({ name }) => name.split(', ')[1])).not.toContain('UDP 239.1.1.1:53');
    expect(recordings).toHaveLength(3);
  });

  test('the packets of a user link type are payload as they are', async () => {
    const packets = payloads.map((bytes, i) => ({ bytes, time: START + i }));
    const { recordings } = await open('user.pcap', pcap(packets, { linkType: 150 }));
    expect(recordings.map(({ name }) => name.split(', ')[1])).toEqual(['USER3']);
    expect(joined(await readBlocks(recordings[0]!)).equals(Buffer.concat(payloads))).toBe(true);
  });

  test('files that a recorder split by size are one capture, pcap or pcapng', async () => {
    const all = datagrams(payloads);
    const half = all.slice(0, 90);
    const rest = all.slice(90);
    const { path } = folder;
    folder.put('split/highfell-1.pcap', pcap(half));
    folder.put('split/highfell-2.pcap', pcapng(rest));
    const { recordings, problems } = await openRecordings([`${path}/split`]);
    expect(problems).toEqual([]);
    expect(recordings.map(({ name }) => name)).toEqual([
      `${path}/split/highfell-1.pcap to highfell-2.pcap, UDP 239.1.1.1:5005`,
    ]);
    expect(joined(await readBlocks(recordings[0]!)).equals(Buffer.concat(payloads))).toBe(true);
  });

  test('a fragmented datagram comes whole', async () => {
    const large = Array.from({ length: 10 }, (_, i) => noise(8000, i));
    const { recordings } = await open('fragments.pcap', pcap(datagrams(large)));
    expect(joined(await readBlocks(recordings[0]!)).equals(Buffer.concat(large))).toBe(true);
    expect(recordings[0]!.counts!()).toMatchObject({ reassembled: 10, incomplete: 0, udpChecksumsWrong: 0 });
  });

  test('packets that a mirror port shows twice are taken once; equal payloads of different packets are kept', async () => {
    const twice = datagrams(payloads).flatMap((packet) => {
      const routed = Buffer.from(packet.bytes);
      routed[14 + 8]!--; // one hop fewer
      return [packet, { ...packet, bytes: routed }];
    });
    const { recordings } = await open('mirror.pcap', pcap(twice));
    expect(joined(await readBlocks(recordings[0]!)).equals(Buffer.concat(payloads))).toBe(true);
    expect(recordings[0]!.counts!()).toMatchObject({ repeats: 200 });
    const same = datagrams([payloads[5]!, payloads[5]!, payloads[5]!]);
    const equal = await open('equal.pcap', pcap(same));
    expect(joined(await readBlocks(equal.recordings[0]!)).length).toBe(3 * payloads[5]!.length);
  });
});

describe('times', () => {
  test('a block spans less than a second of capture time, and says when its first datagram came', async () => {
    const { recordings } = await open('times.pcap', pcap(datagrams(payloads, {}, 30)));
    expect(recordings[0]!.startedAt).toBe(START);
    const blocks = await readBlocks(recordings[0]!);
    expect(blocks.map(({ receivedAt }) => receivedAt! - START)).toEqual([0, 1020, 2040, 3060, 4080, 5100]);
  });

  test('simple packet blocks have no time: the file name tells', async () => {
    const writer = new PcapngWriter();
    const simple = payloads.map((payload) => {
      const frame = ethernet(ipPackets(payload)[0]!);
      return writer.block(3, 4 + frame.length, (body, bytes) => {
        body.setUint32(0, frame.length, true);
        bytes.set(frame, 4);
      });
    });
    const { recordings } = await open(
      'simple-20270314T021530Z.pcapng',
      Buffer.concat([writer.section(), writer.interface(1), ...simple]),
    );
    const blocks = await readBlocks(recordings[0]!);
    expect(recordings[0]!.startedAt).toBe(START);
    expect(blocks.map(({ receivedAt }) => receivedAt)).toEqual([undefined]);
    expect(joined(blocks).equals(Buffer.concat(payloads))).toBe(true);
  });
});

describe('pcapng', () => {
  test.each(['big', 'little'] as const)(
    'sections, interfaces, obsolete and foreign blocks, resolution and offset (%s)',
    async (order) => {
      const little = order === 'little';
      const writer = new PcapngWriter(order);
      const other = new PcapngWriter(little ? 'big' : 'little');
      const [a, b, c] = [noise(100, 1), noise(101, 2), noise(102, 3)];
      // Link type 228, resolution 2^-10 s, offset one hour; a comment before them.
      const timed = writer.block(1, 8 + 8 + 8 + 12 + 4, (body) => {
        body.setUint16(0, 228, little);
        body.setUint16(8, 1, little);
        body.setUint16(10, 3, little);
        body.setUint16(16, 9, little);
        body.setUint16(18, 1, little);
        body.setUint8(20, 0x80 | 10);
        body.setUint16(24, 14, little);
        body.setUint16(26, 8, little);
        body.setBigInt64(28, 3600n, little);
      });
      const obsolete = writer.block(2, 20 + 128 + 8, (body, bytes) => {
        const packet = ipPackets(a)[0]!;
        body.setUint16(0, 1, little);
        body.setUint16(2, 7, little); // seven packets were dropped before this one
        const units = BigInt(START / 1000 - 3600) * 1024n;
        body.setUint32(4, Number(units >> 32n), little);
        body.setUint32(8, Number(units & 0xffffffffn), little);
        body.setUint32(12, packet.length, little);
        body.setUint32(16, packet.length, little);
        bytes.set(packet, 20);
      });
      const file = Buffer.concat([
        writer.section(),
        writer.interface(1),
        timed,
        writer.block(0x0bad, 41, () => undefined),
        writer.block(0x12345, 8, () => undefined),
        obsolete,
        writer.packet(0, ethernet(ipPackets(b, { id: 2 })[0]!), START + 100),
        other.section(),
        other.interface(101),
        other.packet(0, ipPackets(c, { id: 3 })[0]!, START + 200),
        other.packet(5, ipPackets(c, { id: 4 })[0]!, START + 300), // of no interface
      ]);
      const { recordings, problems } = await open('sections.bin', file);
      expect(problems).toEqual([]);
      const blocks = await readBlocks(recordings[0]!);
      expect(joined(blocks).equals(Buffer.concat([a, b, c]))).toBe(true);
      expect(blocks[0]).toMatchObject({ gap: true, receivedAt: START });
    },
  );

  test('a foreign block too long to be held is passed over', async () => {
    const writer = new PcapngWriter();
    const [a, b] = datagrams(payloads.slice(0, 2));
    const file = Buffer.concat([
      writer.section(),
      writer.interface(1),
      writer.packet(0, a!.bytes, a!.time),
      writer.block(0xbad, 3 << 20, () => undefined),
      writer.packet(0, b!.bytes, b!.time),
    ]);
    const { recordings } = await open('foreign.pcapng', file);
    expect(joined(await readBlocks(recordings[0]!)).equals(Buffer.concat(payloads.slice(0, 2)))).toBe(true);
  });
});

describe('packets cut by the snap length', () => {
  const mixed = datagrams([noise(40, 1), noise(900, 2), noise(41, 3)]);

  test.each([
    ['pcap', pcap(mixed, { snapLength: 128 })],
    [
      'pcap of a user link type',
      pcap(
        [noise(40, 1), noise(900, 2), noise(41, 3)].map((bytes) => ({ bytes, time: START })),
        { linkType: 147, snapLength: 128 },
      ),
    ],
  ])('%s: they are never used as data, and their loss is marked', async (_, file) => {
    const { recordings } = await open('snapped.bin', file);
    const blocks = await readBlocks(recordings[0]!);
    expect(blocks.map(({ bytes, gap }) => [bytes, gap])).toEqual([
      [noise(40, 1), false],
      [noise(41, 3), true],
    ]);
    expect(recordings[0]!.counts!()).toMatchObject({ captured: 3, shortened: 1 });
  });

  test('where no packet is whole, the message says what to do', async () => {
    const { recordings, problems } = await open('all-snapped.bin', pcap(mixed, { snapLength: 60 }));
    expect(recordings).toEqual([]);
    expect(problems.map(({ code }) => code)).toEqual(['empty']);
    expect(problems[0]!.message).toMatch(/3 were captured without their ends: capture again with a longer snap length/);
  });
});

test('a capture without UDP says which link types it met', async () => {
  const { problems } = await open('radio.pcap', pcap([{ bytes: noise(50, 1), time: START }], { linkType: 105 }));
  expect(problems.map(({ message }) => message)).toEqual([
    `${folder.path}/radio.pcap: expected a capture with UDP datagrams or a user link type, found 1 packets and none to use; link types without IP: 105`,
  ]);
});

test('a gzip that is damaged in the middle gives what came before, then its error', async () => {
  const packed = gzipSync(pcap(datagrams(payloads)));
  const { recordings, problems } = await open('cut.pcap.gz', packed.subarray(0, packed.length / 2));
  expect(problems).toEqual([]);
  const bytes: Buffer[] = [];
  const reading = (async () => {
    for await (const block of recordings[0]!.blocks()) bytes.push(Buffer.from(block.bytes));
  })();
  await expect(reading).rejects.toBeInstanceOf(RecordingError);
  const got = Buffer.concat(bytes);
  expect(got.length).toBeGreaterThan(10_000);
  expect(Buffer.concat(payloads).subarray(0, got.length).equals(got)).toBe(true);
});

test('when the n-th read fails there is one clear error, and what came before is given', async () => {
  const file = folder.put('failing.pcap', pcap(datagrams(payloads)));
  for (let n = 0; n < 12; n++) {
    let reads = 0;
    const failing = openWith(
      (read) => (into, at) =>
        reads++ >= n ? Promise.reject(Object.assign(new Error('broken'), { code: 'EIO' })) : read(into, at),
    );
    const { recordings, problems } = await openRecordings([file], { open: failing, blockBytes: 65536 });
    const errors: RecordingError[] = [...problems];
    for (const recording of recordings)
      await readBlocks(recording).catch((error: RecordingError) => errors.push(error));
    if (reads > n) expect(errors.every(({ code }) => code === 'unreadable') && errors.length > 0).toBe(true);
    else expect(errors).toEqual([]);
  }
});

test('a folder that holds a capture is a station, not a collection', async () => {
  folder.put('pinebarren/pass.pcap', pcap(datagrams(payloads)));
  folder.put('pinebarren/more/second.pcap', pcap(datagrams(payloads)));
  const { recordings } = await openRecordings([`${folder.path}/pinebarren`]);
  expect(recordings.map(({ station }) => station)).toEqual(['pinebarren', 'pinebarren']);
});
