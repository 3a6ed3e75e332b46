// What the hot loops read by offset, held against the layouts; addresses and checksums against published examples.
import fc from 'fast-check';
import { describe, expect, test } from 'vitest';
import { foldChecksum, sumWords } from '../../src/network/internet-checksum.js';
import { addressBytes, addressText } from '../../src/network/ip-address.js';
import { IpPacket, readIpv4Header, readIpv6FragmentHeader, readIpv6Header } from '../../src/network/ip-packet.js';
import { ipPacketAt, userLink } from '../../src/network/link-layer.js';
import { readUdpHeader, writeUdpDatagram } from '../../src/network/udp-datagram.js';

test('the checksum of the example in RFC 1071, section 3', () => {
  const words = Buffer.from('0001f203f4f5f6f7', 'hex');
  expect(foldChecksum(sumWords(words, 0, 8))).toBe(0xffff - 0xddf2);
});

test('a stretch that holds its own checksum folds to 0, whatever its length', () => {
  fc.assert(
    fc.property(fc.uint8Array({ minLength: 2, maxLength: 3000 }), (bytes) => {
      bytes[0] = 0;
      bytes[1] = 0;
      const sum = foldChecksum(sumWords(bytes, 0, bytes.length));
      bytes[0] = sum >> 8;
      bytes[1] = sum & 255;
      expect(foldChecksum(sumWords(bytes, 0, bytes.length))).toBe(0);
    }),
  );
});

describe('addresses', () => {
  // RFC 5952, sections 2 and 4: the same address in its ways to be written, and the one to write.
  test.each([
    ['2001:0db8:0:0:1:0:0:1', '2001:db8::1:0:0:1'],
    ['2001:DB8:0:0:0:0:2:1', '2001:db8::2:1'],
    ['2001:db8:0:1:1:1:1:1', '2001:db8:0:1:1:1:1:1'],
    ['2001:0:0:1:0:0:0:1', '2001:0:0:1::1'],
    ['::', '::'],
    ['::1', '::1'],
    ['ff02::', 'ff02::'],
    ['239.1.1.1', '239.1.1.1'],
  ])('%s is written %s', (text, canonical) => {
    const bytes = addressBytes(text)!;
    expect(addressText(bytes, 0, bytes.length)).toBe(canonical);
  });

  test.each(['', '239.1.1', '239.1.1.256', '2001:db8', 'fe80::1%eth0', 'lowquay', '1.2.3.4.5'])(
    '%j is none',
    (text) => {
      expect(addressBytes(text)).toBeNull();
    },
  );

  test('bytes to text and back give the same bytes', () => {
    const sparse = fc.array(fc.oneof(fc.constant(0), fc.integer({ min: 0, max: 255 })), {
      minLength: 16,
      maxLength: 16,
    });
    fc.assert(
      fc.property(sparse, fc.constantFrom(4, 16), (all, length) => {
        const bytes = Uint8Array.from(all.slice(0, length));
        expect(addressBytes(addressText(bytes, 0, length))).toEqual(bytes);
      }),
    );
  });
});

describe('layouts', () => {
  test('IPv4', () => {
    fc.assert(
      fc.property(fc.uint8Array({ minLength: 60, maxLength: 60 }), (bytes) => {
        bytes[0] = 0x40 | (5 + (bytes[0]! % 11));
        const header = readIpv4Header(bytes);
        const packet = new IpPacket();
        const isRead = packet.read(bytes, 0, bytes.length);
        expect(isRead).toBe(header.totalLength >= header.headerWords * 4);
        if (!isRead) return;
        expect(packet).toMatchObject({
          version: header.version,
          protocol: header.protocol,
          id: header.id,
          payloadStart: header.headerWords * 4,
          payloadEnd: header.totalLength,
          fragmentOffset: header.fragmentOffset * 8,
          moreFragments: header.moreFragments === 1,
        });
        expect(Buffer.from(bytes).readUInt32BE(packet.source)).toBe(header.source);
        expect(Buffer.from(bytes).readUInt32BE(packet.destination)).toBe(header.destination);
      }),
    );
  });

  test('IPv6 with a fragment header', () => {
    fc.assert(
      fc.property(fc.uint8Array({ minLength: 48, maxLength: 48 }), (bytes) => {
        bytes[0] = 0x60 | (bytes[0]! & 15);
        bytes[6] = 44;
        bytes[40] = 17;
        bytes[43]! |= 1;
        const header = readIpv6Header(bytes);
        const fragment = readIpv6FragmentHeader(bytes.subarray(40));
        const packet = new IpPacket();
        if (header.payloadLength < 8) return;
        expect(packet.read(bytes, 0, bytes.length)).toBe(true);
        expect(packet).toMatchObject({
          version: header.version,
          payloadEnd: 40 + header.payloadLength,
          payloadStart: 48,
          protocol: fragment.nextHeader,
          fragmentOffset: fragment.fragmentOffset * 8,
          moreFragments: fragment.moreFragments === 1,
          isFragment: true,
          id: fragment.id,
        });
      }),
    );
  });

  test('UDP', () => {
    fc.assert(
      fc.property(fc.nat(65535), fc.nat(65535), fc.uint8Array({ maxLength: 200 }), (sourcePort, port, payload) => {
        const datagram = writeUdpDatagram(
          Uint8Array.of(1, 2, 3, 4),
          Uint8Array.of(5, 6, 7, 8),
          sourcePort,
          port,
          payload,
        );
        expect(readUdpHeader(datagram)).toMatchObject({ sourcePort, port, length: 8 + payload.length });
        expect(readUdpHeader(datagram).checksum).not.toBe(0);
      }),
    );
  });
});

test('extension headers before and after a fragment header are walked through', () => {
  const packet = new IpPacket();
  const bytes = Buffer.alloc(40 + 8 + 16 + 12 + 8);
  bytes[0] = 0x60;
  bytes.writeUInt16BE(bytes.length - 40, 4);
  bytes[6] = 0; // hop-by-hop options of 8 bytes, destination options of 16, authentication of 12, UDP
  bytes[40] = 60;
  bytes[48] = 51;
  bytes[49] = 1;
  bytes[64] = 17;
  bytes[65] = 1;
  expect(packet.read(bytes, 0, bytes.length)).toBe(true);
  expect(packet).toMatchObject({ protocol: 17, payloadStart: 76, isFragment: false });
  expect(packet.read(bytes, 0, 70)).toBe(false);
});

test('user link types are 147 to 162', () => {
  expect([146, 147, 162, 163].map(userLink)).toEqual([-1, 0, 15, -1]);
});

test.each([
  [1, 14, 'Ethernet'],
  [101, 0, 'raw IP'],
  [0, 4, 'null'],
  [113, 16, 'Linux cooked'],
  [276, 20, 'Linux cooked v2'],
])('link type %i needs more than its %i bytes of header (%s)', (linkType, header) => {
  for (let length = 0; length <= header; length++) {
    expect(ipPacketAt(linkType, Buffer.alloc(length, 8), 0, length)).toBe(-1);
  }
});

test('two tags of VLANs are passed over, an LLC frame is none', () => {
  const frame = Buffer.from('02000000000202000000000188a80064810000c80800450000', 'hex');
  expect(ipPacketAt(1, frame, 0, frame.length)).toBe(22);
  const llc = Buffer.from('0180c200000002000000000100264242030000', 'hex');
  expect(ipPacketAt(1, llc, 0, llc.length)).toBe(-1);
});
