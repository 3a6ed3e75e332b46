// Baseband frames of every stream type behind every mode adaptation header, as our encoder makes them, dissected by tshark (4.0.17,
// Debian), which checks the CRC-8 of headers and user packets and the CRC-32 of data fields.
import { execFileSync, spawnSync } from 'node:child_process';
import { describe, expect, test } from 'vitest';
import { encodeChain } from '../../src/layers/chain.js';
import type { LayerChoice } from '../../src/mission/mission.js';
import { datagrams, pcap } from '../intake/capture-material.js';
import { workFolder } from '../intake/material.js';
import { noise } from '../layers/seeded.js';

const hasTool = spawnSync('tshark', ['--version']).status === 0;
if (!hasTool) console.log('skipped: tshark is not on PATH, so that nothing outside reads our baseband frames');

const folder = workFolder();

type Row = Record<string, string[]>;

/** For each record, sent in a datagram of its own, all values of each field. */
function dissect(records: readonly Buffer[], fields: readonly string[]): Row[] {
  const file = folder.put('baseband.pcap', pcap(datagrams(records)));
  const wanted = fields.flatMap((field) => ['-e', field]);
  const settings = ['-o', 'dvb-s2_modeadapt.decode_df:TRUE', '--enable-heuristic', 'dvb_s2_udp'];
  const args = ['-r', file, ...settings, '-T', 'fields', '-E', 'occurrence=a', ...wanted];
  const output = execFileSync('tshark', args, { encoding: 'utf8', stdio: ['ignore', 'pipe', 'ignore'] });
  return output
    .replace(/\n$/, '')
    .split('\n')
    .map((line) =>
      Object.fromEntries(line.split('\t').map((cell, i) => [fields[i]!, cell === '' ? [] : cell.split(',')])),
    );
}

function make(options: object, inner: readonly LayerChoice[], units: readonly Uint8Array[], flushes = false): Buffer[] {
  const records: Buffer[] = [];
  const base = { frame: 1194, record: 'variable', adaptation: 'L.3' };
  const encoder = encodeChain([{ name: 'dvb-s2', options: { ...base, ...options } }, ...inner], (record) =>
    records.push(Buffer.from(record)),
  );
  for (const unit of units) {
    encoder.push(unit);
    if (flushes) encoder.flush();
  }
  encoder.flush();
  return records;
}

const stream: LayerChoice = { name: 'stream', options: {} };
const units = Array.from({ length: 12 }, (_, n) => Buffer.concat([Buffer.of(0x5a), noise(299, n)]));
const GOOD = '1';
const number = (text: string | undefined): number => Number(text);

describe.runIf(hasTool)('baseband frames, as an outside dissector reads them', () => {
  test.each([
    ['L.2', 2],
    ['L.3', 4],
    ['L.4', 3],
  ])('mode adaptation headers %s: MODCOD, frame size and number', (adaptation, headerBytes) => {
    for (const [frame, modcod, short] of [
      [4026, 4, 0],
      [7274, 11, 0],
      [1194, 5, 1],
      [384, 1, 1],
    ] as const) {
      const records = make({ adaptation, frame }, [stream], units, true);
      const names = ['acmcmd.modcod', 'acmcmd.fecframe', 'frameno'].map((name) => `dvb-s2_modeadapt.${name}`);
      const seen = dissect(records, [...names, 'dvb-s2_bb.dfl', 'dvb-s2_bb.crc.status']);
      seen.forEach((row, n) => {
        expect(row[names[0]!]!.map(Number)).toEqual([modcod]);
        expect(row[names[1]!]!.map(Number)).toEqual([short]);
        expect(row[names[2]!]!.map(Number)).toEqual(adaptation === 'L.2' ? [] : [n]);
        expect(number(row['dvb-s2_bb.dfl']![0])).toBe((records[n]!.length - headerBytes - 10) * 8);
        expect(row['dvb-s2_bb.crc.status']).toEqual([GOOD]);
      });
    }
  });

  const ts: LayerChoice = { name: 'ts', options: { pid: 300 } };
  test.each([
    ['continuous', {}, [stream], 1, 0, 0],
    ['packetised', { stream: 'packetised' }, [stream], 0, 2400, 0x5a],
    ['transport', { stream: 'transport' }, [ts], 3, 1504, 0x47],
    ['gse-hem', { stream: 'gse-hem' }, [stream], 2, 0, 0],
    ['continuous, ISI 77', { isi: 77 }, [stream], 1, 0, 0],
    ['transport, ISI 3', { stream: 'transport', isi: 3 }, [ts], 3, 1504, 0x47],
  ])('%s: TS/GS, one input stream or several, UPL, SYNC', (_, options, inner, type, upl, sync) => {
    const names = ['matype1.tsgs', 'matype1.mis', 'matype2', 'upl', 'sync', 'crc.status'].map((n) => `dvb-s2_bb.${n}`);
    const seen = dissect(make(options, inner, units), names);
    const { isi } = options as { isi?: number };
    for (const row of seen) {
      const values = names.map((name) => number(row[name]![0]));
      expect(values).toEqual([type, isi === undefined ? 1 : 0, isi ?? 0, upl, sync, 1]);
    }
    expect(seen.length).toBeGreaterThan(2);
  });

  test('transport: every CRC-8 of a user packet, SYNCD and packets put together across frames', () => {
    const records = make({ stream: 'transport' }, [ts], [noise(184 * 30, 1)]);
    const names = ['up.crc.status', 'syncd_invalid', 'up_reassembly_invalid'].map((name) => `dvb-s2_bb.${name}`);
    const seen = dissect(records, [...names, 'mp2t.cc']);
    const all = (name: string): string[] => seen.flatMap((row) => row[name]!);
    for (const row of seen) {
      // The first CRC-8 in a data field is that of a packet in the field before: it is left unverified (2).
      const [first, ...checked] = row[names[0]!]!;
      expect(first).toBe('2');
      expect(checked.length).toBeGreaterThan(0);
      expect(checked.every((status) => status === GOOD)).toBe(true);
    }
    expect([...all(names[1]!), ...all(names[2]!)]).toEqual([]);
    expect(all('mp2t.cc').map(Number)).toEqual(Array.from({ length: 30 }, (_, n) => n % 16));
  });

  test('a CRC-32 ends each data field', () => {
    const gse: LayerChoice = { name: 'gse', options: { protocol: 0x88b5 } };
    const records = make({ crc32: true }, [gse], units);
    const name = 'dvb-s2_bb.eip_crc32.status';
    expect(dissect(records, [name]).map((row) => row[name])).toEqual(records.map(() => [GOOD]));
    // The dissector tells a wrong one, so that the check above can fail.
    records[1]![30]! ^= 1;
    expect(dissect(records, [name])[1]![name]).toEqual(['0']);
  });
});
