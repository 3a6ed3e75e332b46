// Captures and the IP, UDP, RTP and mode adaptation headers in them: what we write is dissected by tshark, and what its tools editcap
// and mergecap write is read by us. (4.0.17, Debian.)
import { execFileSync, spawnSync } from 'node:child_process';
import { readFileSync } from 'node:fs';
import path from 'node:path';
import { describe, expect, test } from 'vitest';
import { openRecordings } from '../../src/intake/open-recordings.js';
import { writeRtpPacket } from '../../src/intake/rtp-packet.js';
import { writeModeAdaptation } from '../../src/layers/mode-adaptation.js';
import { udp } from '../../src/layers/udp.js';
import { datagrams, joined, type Packet, pcap, pcapng, readBlocks, START } from '../intake/capture-material.js';
import { workFolder } from '../intake/material.js';
import { noise } from '../layers/seeded.js';

const hasTools = ['tshark', 'editcap', 'mergecap'].every((program) => spawnSync(program, ['--version']).status === 0);
if (!hasTools)
  console.log('skipped: tshark, editcap and mergecap are not on PATH, so that nothing outside reads our captures');

const folder = workFolder();

/** The fields of each packet, as tshark gives them. */
function dissect(file: Uint8Array, fields: readonly string[], options: readonly string[] = []): string[][] {
  const name = folder.put('dissected.bin', file);
  const checks = ['ip.check_checksum', 'udp.check_checksum'].flatMap((check) => ['-o', `${check}:TRUE`]);
  const wanted = fields.flatMap((field) => ['-e', field]);
  const output = execFileSync(
    'tshark',
    ['-r', name, ...checks, ...options, '-T', 'fields', '-E', 'occurrence=f', ...wanted],
    {
      encoding: 'utf8',
      stdio: ['ignore', 'pipe', 'ignore'],
      maxBuffer: 1 << 26,
    },
  );
  return output
    .trimEnd()
    .split('\n')
    .map((line) => line.split('\t'));
}

const GOOD = '1';

describe.runIf(hasTools)('what we write', () => {
  const payloads = [1, 2, 17, 500, 1400].map((size, i) => noise(size, i));

  test.each([
    ['pcap', (packets: readonly Packet[]) => pcap(packets), '123000'],
    [
      'pcap, big endian, nanoseconds',
      (packets: readonly Packet[]) => pcap(packets, { order: 'big', nanoseconds: true }),
      '123000',
    ],
    ['pcapng', (packets: readonly Packet[]) => pcapng(packets), '123000'],
    ['pcapng, big endian', (packets: readonly Packet[]) => pcapng(packets, 'big'), '123000'],
  ])('%s: times, addresses, lengths, checksums and payloads', (_, make, fraction) => {
    const packets = datagrams(payloads).map((packet) => ({ ...packet, time: packet.time + 123 }));
    const fields = [
      'frame.time_epoch',
      'ip.src',
      'ip.dst',
      'ip.checksum.status',
      'udp.dstport',
      'udp.length',
      'udp.checksum.status',
      'udp.payload',
    ];
    const seen = dissect(make(packets), fields);
    expect(seen.map(([, ...rest]) => rest)).toEqual(
      payloads.map((payload) => [
        '192.0.2.1',
        '239.1.1.1',
        GOOD,
        '5005',
        String(payload.length + 8),
        GOOD,
        payload.toString('hex'),
      ]),
    );
    expect(seen[0]![0]).toBe(`${START / 1000}.${fraction.padEnd(9, '0')}`);
  });

  test.each([
    ['IPv4', '239.192.0.1', 101],
    ['IPv6', 'ff15::5', 101],
    ['IPv4', '239.192.0.1', 228],
    ['IPv6', 'ff15::5', 229],
  ])(
    'the udp layer over %s (%s, link type %i): fragments are put together, checksums are good',
    (_, address, linkType) => {
      const packets: Packet[] = [];
      const encoder = udp.encoder(
        { address, port: 6001, mtu: 600 },
        (bytes) => void packets.push({ bytes, time: START }),
      );
      const units = [noise(3, 1), noise(548, 2), noise(5000, 3), noise(9001, 4)];
      for (const unit of units) encoder.push(unit);
      const seen = dissect(pcap(packets, { linkType }), [
        'udp.dstport',
        'udp.length',
        'udp.checksum.status',
        'udp.payload',
      ]);
      const whole = seen.filter(([port]) => port);
      expect(whole).toEqual(units.map((unit) => ['6001', String(unit.length + 8), GOOD, unit.toString('hex')]));
      expect(seen.length).toBeGreaterThan(25);
    },
  );

  test('RTP', () => {
    const packets = payloads.map((payload, i) =>
      writeRtpPacket({ payloadType: 96, sequence: 65534 + i, timestamp: 4_000_000_000 + i, ssrc: 0xcafe0001 }, payload),
    );
    const fields = ['rtp.version', 'rtp.p_type', 'rtp.seq', 'rtp.timestamp', 'rtp.ssrc', 'rtp.payload'];
    expect(dissect(pcap(datagrams(packets)), fields, ['-d', 'udp.port==5005,rtp'])).toEqual(
      payloads.map((payload, i) => [
        '2',
        '96',
        String((65534 + i) & 0xffff),
        String(4_000_000_000 + i),
        '0xcafe0001',
        payload.toString('hex'),
      ]),
    );
  });

  test('mode adaptation headers', () => {
    const { vectors } = JSON.parse(readFileSync(new URL('../vectors/modeadapt.json', import.meta.url), 'utf8')) as {
      vectors: { hex: string }[];
    };
    const frame = Buffer.from(vectors[0]!.hex, 'hex');
    const headers = [
      { type: 'L.3', modcod: 6, pilots: true, short: false, esN0: 5.5, frameNumber: 200 },
      { type: 'L.3', modcod: 28, pilots: false, short: true, esN0: -1, frameNumber: 0 },
      { type: 'L.4', modcod: 11, pilots: true, short: true, esN0: 12.125, frameNumber: 255 },
    ] as const;
    const packets = headers.map((header) => Buffer.concat([writeModeAdaptation(header), frame]));
    const fields = ['acmcmd.fecframe', 'acmcmd.pilots', 'acmcmd.modcod', 'cni', 'frameno'].map(
      (name) => `dvb-s2_modeadapt.${name}`,
    );
    const seen = dissect(pcap(datagrams(packets)), fields, ['--enable-heuristic', 'dvb_s2_udp']);
    expect(seen.map((row) => row.map(Number))).toEqual(
      headers.map(({ modcod, pilots, short, esN0, frameNumber }) => [
        Number(short),
        Number(pilots),
        modcod,
        (esN0 + 1) * 8 + 1,
        frameNumber,
      ]),
    );
  });
});

describe.runIf(hasTools)('what the tools write', () => {
  const payloads = Array.from({ length: 50 }, (_, i) => noise(10 + i * 20, i));
  const packets = datagrams(payloads);
  const at = (name: string): string => path.join(folder.path, name);
  const source = hasTools ? folder.put('source.pcap', pcap(packets)) : '';

  test.each(['pcap', 'nsecpcap', 'pcapng'])('editcap, %s', async (format) => {
    execFileSync('editcap', ['-F', format, source, at(`edited.${format}`)]);
    const { recordings, problems } = await openRecordings([at(`edited.${format}`)]);
    expect(problems).toEqual([]);
    expect(recordings[0]!.startedAt).toBe(START);
    expect(joined(await readBlocks(recordings[0]!)).equals(Buffer.concat(payloads))).toBe(true);
  });

  test('editcap, packets cut to 200 bytes: none of them is used', async () => {
    execFileSync('editcap', ['-s', '200', source, at('short.pcapng')]);
    const { recordings } = await openRecordings([at('short.pcapng')]);
    const whole = payloads.filter((payload) => payload.length + 42 <= 200);
    expect(joined(await readBlocks(recordings[0]!)).equals(Buffer.concat(whole))).toBe(true);
  });

  test('mergecap, two interfaces of different link types', async () => {
    const users = payloads.map((bytes, i) => ({ bytes, time: START + i * 10 + 5 }));
    folder.put('users.pcap', pcap(users, { linkType: 147 }));
    execFileSync('mergecap', ['-w', at('merged.pcapng'), source, at('users.pcap')]);
    const { recordings, problems } = await openRecordings([at('merged.pcapng')]);
    expect(problems).toEqual([]);
    expect(recordings.map(({ name }) => name.split(', ')[1])).toEqual(['UDP 239.1.1.1:5005', 'USER0']);
    for (const recording of recordings) {
      expect(joined(await readBlocks(recording)).equals(Buffer.concat(payloads))).toBe(true);
    }
  });
});
