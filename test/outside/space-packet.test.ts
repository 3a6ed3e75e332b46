// What the packet encoder writes, dissected by tshark (the "ccsds" dissector of a general protocol analyser): an outside judge.
// Debian: apt-get install tshark. Packets of fewer than 16 bytes are left out: that dissector assumes one mission's secondary header.
import { execFileSync, spawnSync } from 'node:child_process';
import fs from 'node:fs';
import os from 'node:os';
import path from 'node:path';
import { afterAll, expect, test } from 'vitest';
import { aos } from '../../src/layers/aos.js';
import { packets } from '../../src/layers/packets.js';
import { idlePacket } from '../../src/layers/packets-header.js';
import { decodeUnits, encode } from '../layers/cadu-material.js';
import { noise } from '../layers/seeded.js';

const hasTshark = spawnSync('tshark', ['--version']).status === 0;
if (!hasTshark)
  console.warn('space packets are not compared with tshark: it is not installed (apt-get install tshark)');

const work = fs.mkdtempSync(path.join(os.tmpdir(), 'passweave-outside-'));
afterAll(() => fs.rmSync(work, { recursive: true, force: true }));

const FIELDS = ['version', 'type', 'secheader', 'apid', 'seqflag', 'seqnum', 'length'] as const;

/** Each packet as a record of its own in a capture file of a user link type (147), which the option names as space packets. */
function dissect(sent: readonly Uint8Array[]): { fields: number[]; protocols: string }[] {
  const head = Buffer.alloc(24);
  head.writeUInt32LE(0xa1b2c3d4, 0);
  head.writeUInt16LE(2, 4);
  head.writeUInt16LE(4, 6);
  head.writeUInt32LE(262144, 16);
  head.writeUInt32LE(147, 20);
  const records = sent.flatMap((bytes) => {
    const record = Buffer.alloc(16);
    record.writeUInt32LE(bytes.length, 8);
    record.writeUInt32LE(bytes.length, 12);
    return [record, bytes];
  });
  const file = path.join(work, 'packets.pcap');
  fs.writeFileSync(file, Buffer.concat([head, ...records]));
  const out = execFileSync(
    'tshark',
    [
      ...[
        '-r',
        file,
        '-o',
        'uat:user_dlts:"User 0 (DLT=147)","ccsds","0","","0",""',
        '-T',
        'fields',
        '-E',
        'separator=;',
      ],
      ...['-e', 'frame.protocols', ...FIELDS.flatMap((field) => ['-e', `ccsds.${field}`])],
    ],
    { encoding: 'utf8', stdio: ['ignore', 'pipe', 'ignore'] },
  );
  return out
    .trimEnd()
    .split('\n')
    .map((line) => {
      const [protocols, ...values] = line.split(';');
      return { protocols: protocols!, fields: values.map(numberIn) };
    });
}

const numberIn = (text: string): number => (text === 'True' ? 1 : text === 'False' ? 0 : Number(text));

test.skipIf(!hasTshark)(
  'tshark reads the same fields from packets alone, cut into parts, with secondary header and idle',
  () => {
    const alone = encode(packets, { apid: 291 }, [noise(40, 1), noise(1000, 2)]);
    const cut = encode(packets, { apid: 2046, length: 100, crc: true }, [noise(400, 3)]);
    const secondary = encode(packets, { apid: 1, secondaryHeader: 10 }, [noise(30, 4)]);
    const sent = [...alone, ...cut, ...secondary, idlePacket(36)];
    const rows = dissect(sent);
    expect(rows.every(({ protocols }) => protocols.includes('ccsds'))).toBe(true);
    expect(rows.map(({ fields }) => fields)).toEqual([
      [0, 0, 0, 291, 3, 0, 39],
      [0, 0, 0, 291, 3, 1, 999],
      [0, 0, 0, 2046, 1, 0, 93],
      [0, 0, 0, 2046, 0, 1, 93],
      [0, 0, 0, 2046, 0, 2, 93],
      [0, 0, 0, 2046, 0, 3, 93],
      [0, 0, 0, 2046, 2, 4, 400 - 4 * 92 + 1],
      [0, 0, 1, 1, 3, 0, 39],
      [0, 0, 0, 2047, 3, 0, 29],
    ]);
  },
);

test.skipIf(!hasTshark)(
  'tshark finds the packets where the first header pointers of our AOS frames say they begin',
  () => {
    const frames = encode(
      aos,
      { length: 100 },
      encode(
        packets,
        { apid: 99 },
        [20, 250, 60, 33].map((size) => noise(size, size)),
      ),
    );
    const { pieces } = decodeUnits(aos, {}, frames);
    const stream = Buffer.concat(pieces.map(({ bytes }) => bytes));
    let before = 0;
    const begins = pieces.flatMap(({ bytes, unit }) => {
      const place = unit < 0 ? [] : [stream.subarray(before + unit)];
      before += bytes.length;
      return place;
    });
    const rows = dissect(begins.map((bytes) => bytes.subarray(0, Math.max(16, bytes.length))));
    // Packets of 26, 256, 66 and 39 bytes in zones of 90: those that begin first in zones 0, 3 and 4, the last an idle one of 63.
    expect(rows.map(({ fields }) => [fields[3], fields[5], fields[6]])).toEqual([
      [99, 0, 19],
      [99, 2, 59],
      [2047, 0, 56],
    ]);
  },
);
