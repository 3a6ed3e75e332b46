// Transport stream packets, sections, MPE and user packets in baseband frames as our encoders make them, dissected by tshark
// (4.0.17, Debian), which also checks their CRCs. It does not know ULE.
import { execFileSync, spawnSync } from 'node:child_process';
import { describe, expect, test } from 'vitest';
import { writeBasebandHeader } from '../../src/layers/baseband-header.js';
import { UserPacketWriter } from '../../src/layers/baseband-ts.js';
import { ts } from '../../src/layers/ts.js';
import { readTsHeader } from '../../src/layers/ts-packet.js';
import { datagrams, ipPackets, type Packet, pcap, START } from '../intake/capture-material.js';
import { workFolder } from '../intake/material.js';
import { noise } from '../layers/seeded.js';
import { encodeUnits } from '../layers/ts-material.js';

const hasTool = spawnSync('tshark', ['--version']).status === 0;
if (!hasTool) console.log('skipped: tshark is not on PATH, so that nothing outside reads our transport streams');

const folder = workFolder();
const LINKTYPE_TRANSPORT_STREAM = 243;

type Row = Record<string, string[]>;

/** For each packet of a capture, all values of each field. */
function dissect(capture: Buffer, fields: readonly string[], options: readonly string[]): Row[] {
  const file = folder.put('ts.pcap', capture);
  const wanted = fields.flatMap((field) => ['-e', field]);
  const args = ['-r', file, ...options, '-T', 'fields', '-E', 'occurrence=a', ...wanted];
  const output = execFileSync('tshark', args, { encoding: 'utf8', stdio: ['ignore', 'pipe', 'ignore'] });
  return output
    .replace(/\n$/, '')
    .split('\n')
    .map((line) =>
      Object.fromEntries(line.split('\t').map((cell, i) => [fields[i]!, cell === '' ? [] : cell.split(',')])),
    );
}

const dissectPackets = (packets: readonly Uint8Array[], fields: readonly string[]): Row[] => {
  const captured = packets.map((bytes): Packet => ({ bytes, time: START }));
  const capture = pcap(captured, { linkType: LINKTYPE_TRANSPORT_STREAM });
  return dissect(capture, fields, ['-o', 'mpeg_sect.verify_crc:TRUE']);
};

const GOOD = '1';

describe.runIf(hasTool)('transport streams, as an outside dissector reads them', () => {
  test('data piping: every field of the header, the stuffing at the end, and no loss', () => {
    const units = [1, 400, 2000, 30, 777].map(noise);
    const packets = encodeUnits(ts, { pid: 0x1abc, carry: 'pipe' }, units);
    expect(packets.length).toBeGreaterThan(16);
    const names = ['sync_byte', 'tei', 'pusi', 'tp', 'pid', 'tsc', 'afc', 'cc'];
    const fields = [...names, 'af.length', 'analysis.skips'].map((name) => `mp2t.${name}`);
    const seen = dissectPackets(packets, fields);
    packets.forEach((packet, i) => {
      const h = readTsHeader(packet);
      const written = [h.sync, h.tei, h.pusi, h.priority, h.pid, h.scrambling, h.adaptationControl, h.continuity];
      expect(names.map((name) => Number(seen[i]![`mp2t.${name}`]![0]))).toEqual(written);
      expect(seen[i]!['mp2t.analysis.skips']).toEqual([]);
    });
    const bytes = Buffer.concat(units).length;
    expect(seen.flatMap((row) => row['mp2t.af.length']!).map(Number)).toEqual([183 - (bytes % 184)]);
  });

  test('MPE: table, length, CRC-32, MAC address and the datagrams inside', () => {
    const sizes = [30, 300, 170, 1200, 900];
    const pdus = sizes.map((size, i) => Buffer.from(ipPackets(noise(size, i), { port: 6000 + i })[0]!));
    const packets = encodeUnits(ts, { pid: 300, carry: 'mpe', address: '01005e010203' }, pdus);
    const names = ['mpeg_sect.tid', 'mpeg_sect.len', 'mpeg_sect.crc.status', 'dvb_data_mpe.dst_mac'];
    const seen = dissectPackets(packets, [...names, 'udp.dstport', 'udp.payload']);
    const all = (name: string): string[] => seen.flatMap((row) => row[name]!);
    expect(all('mpeg_sect.tid').map(Number)).toEqual(pdus.map(() => 0x3e));
    expect(all('mpeg_sect.len').map(Number)).toEqual(pdus.map(({ length }) => 9 + length + 4));
    expect(all('mpeg_sect.crc.status')).toEqual(pdus.map(() => GOOD));
    expect(all('dvb_data_mpe.dst_mac')).toEqual(pdus.map(() => '01:00:5e:01:02:03'));
    expect(all('udp.dstport')).toEqual(pdus.map((_, i) => String(6000 + i)));
    expect(all('udp.payload')).toEqual(sizes.map((size, i) => noise(size, i).toString('hex')));
  });

  test('user packets in baseband frames: every CRC-8, SYNCD, ISSY and DNP, and packets put together across frames', () => {
    for (const [issyBytes, nullPacketDeletion] of [
      [0, false],
      [0, true],
      [2, false],
      [2, true],
    ] as const) {
      const packets = encodeUnits(ts, { pid: 300 }, [noise(184 * 30, 1)]);
      const writer = new UserPacketWriter({ issyBytes, nullPacketDeletion });
      const users = packets.map((packet, i) => writer.write(packet, 0x1000 + i)!);
      const pitch = 188 + issyBytes + (nullPacketDeletion ? 1 : 0);
      const stream = Buffer.concat(users);
      const size = 869;
      const matype1 = 0xf0 | (issyBytes > 0 ? 8 : 0) | (nullPacketDeletion ? 4 : 0);
      const frames: Buffer[] = [];
      for (let from = 0; from < stream.length; from += size) {
        const field = stream.subarray(from, from + size);
        const unit = (pitch - (from % pitch)) % pitch;
        const fields = { matype1, matype2: 0, upl: pitch * 8, dfl: field.length * 8, sync: 0x47 };
        const syncd = unit < field.length ? unit * 8 : 65535;
        // A mode adaptation header L.3 before each: that is what tshark expects first.
        const modeAdaptation = Buffer.from([0xb8, 0x06, 0x41, frames.length & 255]);
        frames.push(Buffer.concat([modeAdaptation, writeBasebandHeader({ ...fields, syncd }), field]));
      }
      const names = ['up.crc.status', 'syncd_invalid', 'up_reassembly_invalid', 'issy.short', 'dnp'];
      const seen = dissect(
        pcap(datagrams(frames)),
        [...names.map((name) => `dvb-s2_bb.${name}`), 'mp2t.cc'],
        ['--enable-heuristic', 'dvb_s2_udp', '-o', 'dvb-s2_modeadapt.decode_df:TRUE'],
      );
      const all = (name: string): string[] => seen.flatMap((row) => row[name]!);
      // The first CRC-8 in a data field is that of a packet in the field before: it is left unverified (2).
      for (const row of seen) {
        const [first, ...checked] = row['dvb-s2_bb.up.crc.status']!;
        expect(first).toBe('2');
        expect(checked.length).toBeGreaterThan(0);
        expect(checked.every((status) => status === GOOD)).toBe(true);
      }
      expect(all('dvb-s2_bb.syncd_invalid')).toEqual([]);
      expect(all('dvb-s2_bb.up_reassembly_invalid')).toEqual([]);
      expect(all('mp2t.cc').map(Number)).toEqual(packets.map((packet) => readTsHeader(packet).continuity));
      const issy = issyBytes === 0 ? [] : packets.map((_, i) => 0x1000 + i);
      expect(all('dvb-s2_bb.issy.short').map(Number)).toEqual(issy);
      expect(all('dvb-s2_bb.dnp').map(Number)).toEqual(nullPacketDeletion ? packets.map(() => 0) : []);
    }
  });

  test('the dissector tells a wrong CRC-32, so that the checks above can fail', () => {
    const packets = encodeUnits(ts, { pid: 300, carry: 'mpe' }, [Buffer.from(ipPackets(noise(60, 1))[0]!)]);
    packets[0]![80]! ^= 1;
    const field = 'mpeg_sect.crc.status';
    expect(dissectPackets(packets, [field]).flatMap((row) => row[field]!)).toEqual(['0']);
  });
});
