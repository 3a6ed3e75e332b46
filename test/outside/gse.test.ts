// GSE packets and PDUs as our encoder makes them, in baseband frames, dissected by tshark (4.0.17, Debian), which also puts the
// fragments together and checks their CRC-32s.
import { execFileSync, spawnSync } from 'node:child_process';
import { describe, expect, test } from 'vitest';
import { dvbS2 } from '../../src/layers/dvb-s2.js';
import { gse } from '../../src/layers/gse.js';
import { type GseHeader, gseHeaderBytes, readGseHeader } from '../../src/layers/gse-packet.js';
import { datagrams, ipPackets, pcap } from '../intake/capture-material.js';
import { workFolder } from '../intake/material.js';
import { noise } from '../layers/seeded.js';
import { encodeUnits } from '../layers/ts-material.js';

const hasTool = spawnSync('tshark', ['--version']).status === 0;
if (!hasTool) console.log('skipped: tshark is not on PATH, so that nothing outside reads our GSE packets');

const folder = workFolder();

/** For each baseband frame, sent in a datagram of its own, all values of each field. */
function dissect(frames: readonly Buffer[], fields: readonly string[]): Record<string, string[]>[] {
  // A mode adaptation header L.3 before each: that is what tshark expects first.
  const payloads = frames.map((frame, i) => Buffer.concat([Buffer.from([0xb8, 0x06, 0x41, i & 255]), frame]));
  const file = folder.put('gse.pcap', pcap(datagrams(payloads)));
  const settings = ['decode_df', 'full_decode'].flatMap((name) => ['-o', `dvb-s2_modeadapt.${name}:TRUE`]);
  const wanted = fields.flatMap((field) => ['-e', field]);
  const args = [
    '-r',
    file,
    '--enable-heuristic',
    'dvb_s2_udp',
    ...settings,
    '-T',
    'fields',
    '-E',
    'occurrence=a',
    ...wanted,
  ];
  const output = execFileSync('tshark', args, { encoding: 'utf8', stdio: ['ignore', 'pipe', 'ignore'] });
  return output
    .replace(/\n$/, '')
    .split('\n')
    .map((line) =>
      Object.fromEntries(line.split('\t').map((cell, i) => [fields[i]!, cell === '' ? [] : cell.split(',')])),
    );
}

const pdu = (bytes: number, seed: number): Buffer =>
  Buffer.from(ipPackets(noise(bytes, seed), { address: '239.1.1.1', port: 6000 + seed, mtu: 65000 })[0]!);

describe.runIf(hasTool)('GSE packets, as an outside dissector reads them', () => {
  const fieldNames = [
    'hdr.start',
    'hdr.stop',
    'hdr.labeltype',
    'hdr.length',
    'proto',
    'fragid',
    'totlength',
    'crc.status',
  ];
  const fields = fieldNames.map((name) => `dvb-s2_gse.${name}`);

  test.each([
    ['whole PDUs, broadcast', {}, [], 0],
    ['whole PDUs, six-byte label', { label: '020304050607' }, ['dvb-s2_gse.label_ether'], 0],
    ['whole PDUs, three-byte label', { label: 'aabbcc' }, ['dvb-s2_gse.label'], 0],
    ['fragments, broadcast', { fragment: 200 }, [], 3],
    [
      'fragments of three PDUs in turn, six-byte label',
      { fragment: 150, fragmentIds: 3, label: '020304050607' },
      [],
      3,
    ],
  ])('%s: every header field, every CRC-32 and the datagrams inside', (_, options, labelFields, fragmented) => {
    const payloadSizes = [30, 300, 301, 500];
    const pdus = payloadSizes.map((size, i) => pdu(size, i));
    const packets = encodeUnits(gse, options, pdus);
    const frames = encodeUnits(dvbS2, { frame: 789, record: 'variable' }, packets);
    const seen = dissect(frames, [...fields, ...labelFields, 'dvb-s2_bb.dfl', 'udp.dstport']);
    const all = (name: string): string[] => seen.flatMap((frame) => frame[`dvb-s2_gse.${name}`]!);

    const headers = packets.map((packet) => readGseHeader(packet)!);
    const numbers = (name: keyof GseHeader): number[] =>
      headers.flatMap((header) => (header[name] === undefined ? [] : [Number(header[name])]));
    expect(all('hdr.start').map(Number)).toEqual(numbers('start'));
    expect(all('hdr.stop').map(Number)).toEqual(numbers('end'));
    expect(all('hdr.labeltype').map(Number)).toEqual(numbers('labelType'));
    expect(all('hdr.length').map(Number)).toEqual(numbers('length'));
    const joined = headers.filter((h) => h.start === 0 && h.end === 1).length;
    expect(all('fragid').map(Number)).toEqual(numbers('fragId'));
    // These two are shown once more where the fragments are put together.
    const again = headers.filter(({ totalLength }) => totalLength !== undefined);
    const twice = (name: 'protocol' | 'totalLength'): number[] =>
      [...numbers(name), ...again.map((header) => Number(header[name]))].sort();
    expect(all('proto').map(Number).sort()).toEqual(twice('protocol'));
    expect(all('totlength').map(Number).sort()).toEqual(twice('totalLength'));
    // 1 = good; one for each PDU in fragments.
    expect(all('crc.status')).toEqual(Array.from({ length: joined }, () => '1'));
    expect(joined).toBe(fragmented);
    for (const field of labelFields) {
      const label = Buffer.from((options as { label: string }).label, 'hex');
      const shown = seen.flatMap((frame) => frame[field]!.map((text) => text.replace(/^0x/, '').replaceAll(':', '')));
      expect(shown).toEqual(pdus.map(() => label.toString('hex')));
    }
    expect(seen.map((frame) => Number(frame['dvb-s2_bb.dfl']![0]) / 8)).toEqual(
      frames.map(({ length }) => length - 10),
    );
    // The first port of each datagram is that of the datagram around the baseband frame.
    const inner = seen.flatMap((frame) => frame['udp.dstport']!.slice(1)).map(Number);
    expect(inner.sort()).toEqual([6000, 6001, 6002, 6003]);
    expect(gseHeaderBytes(headers[0]!)).toBeGreaterThan(3);
  });

  test('the dissector tells a wrong CRC-32, so that the checks above can fail', () => {
    const packets = encodeUnits(gse, { fragment: 200 }, [pdu(400, 1)]);
    packets[1]![50]! ^= 1;
    const frames = encodeUnits(dvbS2, { frame: 789, record: 'variable' }, packets);
    expect(dissect(frames, ['dvb-s2_gse.crc.status']).flatMap((frame) => frame['dvb-s2_gse.crc.status']!)).toEqual([
      '0',
    ]);
  });
});
