// What our encoder writes, read by a general packet dissector: tshark 4.0 follows CCSDS 727.0-B-4, which knows neither sizes of 64
// bits nor segment metadata, so that those are judged by vectors alone (test/layers/cfdp-pdu.test.ts).
import { execFileSync, spawnSync } from 'node:child_process';
import { mkdtempSync, rmSync, writeFileSync } from 'node:fs';
import { tmpdir } from 'node:os';
import path from 'node:path';
import { describe, expect, test } from 'vitest';
import { cfdpEncoder } from '../../src/layers/cfdp.js';
import type { PduHeader } from '../../src/layers/cfdp-header.js';
import { type Pdu, readPdu, writePdu } from '../../src/layers/cfdp-pdu.js';
import { noise } from '../layers/seeded.js';

const hasTshark = spawnSync('tshark', ['--version']).status === 0;
if (!hasTshark)
  console.log('skipped: tshark is not on PATH, so that nothing outside dissects what the CFDP encoder writes');

const FIELDS = [
  'version',
  'pdu_type',
  'direction',
  'trans_mode',
  'crc_flag',
  'data_length',
  'entid_length',
  'transeqnum_length',
  'srcid',
  'transeqnum',
  'dstid',
  'fdtype',
  'file_size',
  'src_file_name',
  'dst_file_name',
  'offset',
  'user_data',
  'checksum',
  'condition_code',
  'crc',
] as const;
type Dissected = Record<(typeof FIELDS)[number] | 'malformed', string>;

/** What tshark says of each PDU, each a packet of its own in a classic pcap file of link type 147 (for private use). */
function dissect(pdus: readonly Uint8Array[]): Dissected[] {
  const folder = mkdtempSync(path.join(tmpdir(), 'cfdp-'));
  try {
    const header = Buffer.from('d4c3b2a1020004000000000000000000ffff000093000000', 'hex');
    const packets = pdus.map((pdu) => {
      const record = Buffer.alloc(16);
      record.writeUInt32LE(pdu.length, 8);
      record.writeUInt32LE(pdu.length, 12);
      return Buffer.concat([record, pdu]);
    });
    const file = path.join(folder, 'pdus.pcap');
    writeFileSync(file, Buffer.concat([header, ...packets]));
    const user = 'uat:user_dlts:"User 0 (DLT=147)","cfdp","0","","0",""';
    const names = [...FIELDS.map((field) => `cfdp.${field}`), '_ws.malformed'];
    const lines = execFileSync(
      'tshark',
      ['-r', file, '-o', user, '-T', 'fields', '-E', 'separator=|', ...names.flatMap((field) => ['-e', field])],
      { encoding: 'utf8', stdio: ['ignore', 'pipe', 'ignore'], maxBuffer: 1 << 28 },
    );
    return lines
      .replace(/\n$/, '')
      .split('\n')
      .map((line) => {
        const values = line.split('|');
        return Object.fromEntries([...FIELDS, 'malformed'].map((field, i) => [field, values[i] ?? ''])) as Dissected;
      });
  } finally {
    rmSync(folder, { recursive: true });
  }
}

const content = noise(5000, 61);
const cases = [
  { title: 'the defaults', options: {} },
  { title: 'a CRC', options: { crc: true, segmentBytes: 333 } },
  { title: 'CRC-32C and closure', options: { checksumType: 2, closure: true } },
  { title: 'identifiers of 1 byte', options: { entityIdBytes: 1, sequenceBytes: 1, segmentBytes: 77 } },
  {
    title: 'identifiers of 4 and 8 bytes',
    options: { entityIdBytes: 4, sequenceBytes: 8, source: 0x1234567, crc: true },
  },
];

describe.skipIf(!hasTshark)('tshark (CCSDS 727.0-B-4) reads what was meant', () => {
  test.each(cases)('with $title', ({ options }) => {
    const pdus = [
      ...cfdpEncoder({ source: 1, destination: 2, ...options })({ name: 'img/limb.jpg', content, sequence: 200 }),
    ];
    const dissected = dissect(pdus);
    expect(dissected.length).toBe(pdus.length);
    const file = Buffer.alloc(content.length);
    dissected.forEach((fields, i) => {
      const pdu = pdus[i]!;
      const { header, body } = readPdu(pdu, 0, pdu.length)!;
      const dataLength = pdu.length - 4 - 2 * header.entityIdBytes - header.sequenceBytes;
      expect(fields.malformed).toBe('');
      expect([fields.version, fields.pdu_type, fields.direction, fields.trans_mode].map(Number)).toEqual([
        1,
        Number(body.kind === 'File Data'),
        0,
        1,
      ]);
      expect([fields.crc_flag, fields.data_length].map(Number)).toEqual([header.crcFlag, dataLength]);
      expect([fields.entid_length, fields.transeqnum_length].map(Number)).toEqual([
        header.entityIdBytes - 1,
        header.sequenceBytes - 1,
      ]);
      expect([fields.srcid, fields.transeqnum, fields.dstid].map(Number)).toEqual([
        'source' in options ? options.source : 1,
        200,
        2,
      ]);
      if (header.crcFlag) expect(Number(fields.crc)).toBe(Buffer.from(pdu).readUInt16BE(pdu.length - 2));
      if (body.kind === 'Metadata') {
        expect(fields.fdtype).toBe('7');
        expect([fields.file_size, fields.src_file_name, fields.dst_file_name]).toEqual([
          '5000',
          'img/limb.jpg',
          'img/limb.jpg',
        ]);
      } else if (body.kind === 'EOF') {
        expect([fields.fdtype, fields.file_size, fields.condition_code]).toEqual(['4', '5000', '0']);
        expect(Number(fields.checksum)).toBe(body.checksum);
      } else {
        file.set(Buffer.from(fields.user_data, 'hex'), Number(fields.offset));
      }
    });
    expect(file.equals(content)).toBe(true);
  });

  test('in the other directives', () => {
    const header: PduHeader = { ...readHeader(), direction: 1, mode: 0 };
    const codes = { Finished: 5, ACK: 6, NAK: 8, Prompt: 9, 'Keep Alive': 12 } as const;
    // Parameters of 727.0-B-4: Finished (no error, complete), ACK of EOF, NAK of [0, 16), Prompt for a NAK, 16 bytes so far.
    const parameters = { Finished: '02', ACK: '4000', NAK: '0000000000000010', Prompt: '00', 'Keep Alive': '00000010' };
    const kinds = Object.keys(codes) as (keyof typeof codes)[];
    const pdus = kinds.map((kind) =>
      writePdu({ header, body: { kind, parameters: Buffer.from(parameters[kind], 'hex') } }),
    );
    const dissected = dissect(pdus);
    kinds.forEach((kind, i) => {
      const { fdtype, direction, trans_mode, malformed } = dissected[i]!;
      expect([fdtype, direction, trans_mode, malformed]).toEqual([String(codes[kind]), '1', '0', '']);
    });
  });
});

function readHeader(): PduHeader {
  const [metadata] = cfdpEncoder({ source: 1, destination: 2 })({ name: 'a', content: Buffer.alloc(0), sequence: 1 });
  const { header }: Pdu = readPdu(metadata!, 0, metadata!.length)!;
  return header;
}
