import fc from 'fast-check';
import { describe, expect, test } from 'vitest';
import {
  dataFieldAt,
  dataFieldEnd,
  destinationAt,
  hasLongId,
  hasPduCrc,
  hasSegmentMetadata,
  isFileData,
  isLargeFile,
  isPduCrcRight,
  MAX_PDU_BYTES,
  pduBytesAt,
  readPduHeader,
  sequenceAt,
  sourceAt,
} from '../../src/layers/cfdp-header.js';
import { fileDataAt, fileOffsetAt, type Pdu, readPdu, readTlvs, writePdu } from '../../src/layers/cfdp-pdu.js';
import { anyBody, anyHeader, pduVectors, plainHeader, withCrc } from './cfdp-material.js';

const DIRECTIVES = { Metadata: 7, EOF: 4, Finished: 5, ACK: 6, NAK: 8, Prompt: 9, 'Keep Alive': 12 } as const;
const hex = (bytes: Uint8Array): string => Buffer.from(bytes).toString('hex');

/** The fields of a PDU by the names that the vectors use, those that the vector names. */
function fieldsOf({ header, body }: Pdu, pdu: Buffer, names: readonly string[]): Record<string, unknown> {
  const metadata = body.kind === 'Metadata' && body;
  const data = body.kind === 'File Data' && body;
  const eof = body.kind === 'EOF' && body;
  const tlvs = (bytes: Uint8Array): unknown => readTlvs(bytes)?.map(({ type, value }) => ({ type, value: hex(value) }));
  const all: Record<string, unknown> = {
    src: header.source,
    seq: header.sequence,
    dst: header.destination,
    mode: header.mode ? 'unacknowledged' : 'acknowledged',
    direction: header.direction ? 'toward sender' : 'toward receiver',
    version: header.version,
    headerBytes: dataFieldAt(pdu, 0),
    largeFile: header.largeFile,
    crc: header.crcFlag ? hex(pdu.subarray(-2)) : undefined,
    ...(body.kind !== 'File Data' && { directive: DIRECTIVES[body.kind] }),
    ...(metadata && {
      closure: Number(metadata.closure),
      checksumType: metadata.checksumType,
      fileSize: metadata.fileBytes,
      srcName: metadata.sourceName,
      dstName: metadata.destinationName,
      tlvs: tlvs(metadata.tlvs),
    }),
    ...(data && {
      recordContinuation: data.recordContinuation,
      segMetaLen: data.segmentMetadata?.length,
      segMeta: data.segmentMetadata && hex(data.segmentMetadata),
      offset: data.offset,
      data: hex(data.data),
    }),
    ...(eof && {
      condition: eof.condition,
      checksum: eof.checksum.toString(16).padStart(8, '0'),
      fileSize: eof.fileBytes,
      tlvs: tlvs(eof.tlvs),
    }),
  };
  return Object.fromEntries(names.map((name) => [name, all[name]]));
}

describe('PDUs of CCSDS 727.0-B-5 that others have judged', () => {
  test.each(pduVectors)('$id is read as expected ($verified)', ({ hex: whole, expect: e }) => {
    const bytes = Buffer.from(whole, 'hex');
    const pdu = readPdu(bytes, 0, bytes.length)!;
    // Not in the EOF itself: the type that its Metadata gave.
    const { checksumTypeFromMetadata: _, ...fields } = e;
    expect(fieldsOf(pdu, bytes, Object.keys(fields))).toEqual(fields);
    expect(pduBytesAt(bytes, 0, bytes.length)).toBe(bytes.length);
  });

  test.each(pduVectors)('$id is written byte for byte ($verified)', ({ hex: whole }) => {
    const bytes = Buffer.from(whole, 'hex');
    expect(hex(writePdu(readPdu(bytes, 0, bytes.length)!))).toBe(whole);
  });

  test.each(pduVectors)('$id cut anywhere is no PDU', ({ hex: whole }) => {
    const bytes = Buffer.from(whole, 'hex');
    for (let end = 0; end < bytes.length; end++) expect(readPdu(bytes, 0, end)).toBeNull();
  });
});

test('any PDU written is read again, wherever it stands', () => {
  const anyPdu = anyHeader.chain((header) =>
    fc.record({ header: fc.constant(header), body: anyBody(header.largeFile) }),
  );
  fc.assert(
    fc.property(anyPdu, fc.nat(20), fc.nat(20), (pdu, before, behind) => {
      const written = writePdu(pdu);
      const bytes = Buffer.concat([Buffer.alloc(before, 0xaa), written, Buffer.alloc(behind, 0xaa)]);
      const isData = pdu.body.kind === 'File Data';
      const flag = Number(pdu.body.kind === 'File Data' && pdu.body.segmentMetadata !== null);
      const read = readPdu(bytes, before, bytes.length)!;
      expect(read.header).toEqual({ ...pdu.header, pduType: Number(isData), segmentMetadataFlag: flag });
      for (const [name, value] of Object.entries(pdu.body)) {
        const got = read.body[name as keyof typeof read.body] as unknown;
        expect(got instanceof Uint8Array ? hex(got) : got).toEqual(value instanceof Uint8Array ? hex(value) : value);
      }
    }),
    { seed: 11, numRuns: 1500 },
  );
});

test('the offsets of the hot path read what the layouts say', () => {
  const anyPdu = anyHeader.chain((header) =>
    fc.record({ header: fc.constant(header), body: anyBody(header.largeFile) }),
  );
  fc.assert(
    fc.property(anyPdu, fc.nat(20), (pdu, at) => {
      const written = writePdu(pdu);
      const bytes = Buffer.concat([Buffer.alloc(at, 0x55), written, Buffer.alloc(9, 0x55)]);
      const { header, fieldStart, fieldEnd } = readPduHeader(bytes, at, bytes.length)!;
      expect(pduBytesAt(bytes, at, bytes.length)).toBe(written.length);
      expect(dataFieldAt(bytes, at)).toBe(fieldStart);
      expect(dataFieldEnd(bytes, at, written.length)).toBe(fieldEnd);
      expect(hasPduCrc(bytes, at)).toBe(header.crcFlag === 1);
      expect(isPduCrcRight(bytes, at, written.length)).toBe(true);
      expect(isFileData(bytes, at)).toBe(header.pduType === 1);
      expect(isLargeFile(bytes, at)).toBe(header.largeFile === 1);
      expect(hasSegmentMetadata(bytes, at)).toBe(header.segmentMetadataFlag === 1);
      expect([sourceAt(bytes, at), sequenceAt(bytes, at), destinationAt(bytes, at)]).toEqual([
        header.source,
        header.sequence,
        header.destination,
      ]);
      expect(hasLongId(bytes, at)).toBe(false);
      if (pdu.body.kind !== 'File Data') return;
      expect(fileOffsetAt(bytes, at, fieldEnd)).toBe(pdu.body.offset);
      expect(hex(bytes.subarray(fileDataAt(bytes, at), fieldEnd))).toBe(hex(pdu.body.data));
    }),
    { seed: 12, numRuns: 1500 },
  );
});

test('no PDU with a CRC survives a change of one byte, but for the flag that says it has one', () => {
  fc.assert(
    fc.property(
      anyHeader,
      fc.nat(),
      fc.integer({ min: 1, max: 255 }),
      fc.uint8Array({ maxLength: 60 }),
      (header, place, flip, data) => {
        const body = { kind: 'File Data' as const, recordContinuation: 0, segmentMetadata: null, offset: 9, data };
        const bytes = writePdu({ header: { ...header, crcFlag: 1 }, body });
        const at = place % bytes.length;
        bytes[at]! ^= flip;
        fc.pre(hasPduCrc(bytes, 0) && pduBytesAt(bytes, 0, bytes.length) === bytes.length);
        expect(readPdu(bytes, 0, bytes.length)).toBeNull();
      },
    ),
    { seed: 13, numRuns: 1500 },
  );
});

describe('what is no PDU is null, not an exception', () => {
  const eof = { kind: 'EOF' as const, condition: 0, checksum: 1, fileBytes: 2, tlvs: new Uint8Array(0) };
  const metadata = {
    kind: 'Metadata' as const,
    closure: false,
    checksumType: 0,
    fileBytes: 5,
    sourceName: 'a.jpg',
    destinationName: 'b.jpg',
    tlvs: new Uint8Array(0),
  };
  const data = {
    kind: 'File Data' as const,
    recordContinuation: 1,
    segmentMetadata: Uint8Array.of(1, 2, 3),
    offset: 0,
    data: Uint8Array.of(7),
  };
  const changed = (bytes: Uint8Array, at: number, value: number): Buffer => {
    const copy = Buffer.from(bytes);
    copy[at] = value;
    return copy;
  };
  const large = { ...plainHeader, largeFile: 1 };
  test.each([
    ['nothing', Buffer.alloc(0)],
    ['zeros', Buffer.alloc(100)],
    ['an unknown version', changed(writePdu({ header: plainHeader, body: eof }), 0, 0x44)],
    ['an unknown directive', changed(writePdu({ header: plainHeader, body: eof }), 10, 0x0b)],
    ['a file name longer than the data field', changed(writePdu({ header: plainHeader, body: metadata }), 16, 200)],
    [
      'a second file name longer than the data field',
      changed(writePdu({ header: plainHeader, body: metadata }), 22, 6),
    ],
    ['Metadata without its second name', changed(writePdu({ header: plainHeader, body: metadata }), 16, 11)],
    ['segment metadata longer than the data field', changed(writePdu({ header: plainHeader, body: data }), 10, 0x45)],
    ['an EOF cut before its size', changed(writePdu({ header: plainHeader, body: eof }), 2, 9)],
    ['a size above 2^53', changed(writePdu({ header: large, body: eof }), 16, 0xff)],
    ['an offset above 2^53', changed(writePdu({ header: large, body: { ...data, segmentMetadata: null } }), 10, 0x20)],
  ])('%s', (_, bytes) => {
    expect(readPdu(bytes, 0, bytes.length)).toBeNull();
  });

  test('1,000,000 random bytes', () => {
    fc.assert(
      fc.property(fc.uint8Array({ minLength: 900, maxLength: 1100 }), (bytes) => {
        for (let at = 0; at < bytes.length; at++) readPdu(bytes, at, bytes.length);
      }),
      { seed: 14, numRuns: 1000 },
    );
  });

  test('options that are cut', () => {
    expect(readTlvs(Uint8Array.of(2, 3, 0x41, 0x42))).toBeNull();
    expect(readTlvs(Uint8Array.of(2))).toBeNull();
    expect(readTlvs(new Uint8Array(0))).toEqual([]);
    // The values' own length may be 0.
    expect(readTlvs(Uint8Array.of(5, 0, 2, 1, 0x41))).toEqual([
      { type: 5, value: new Uint8Array(0) },
      { type: 2, value: Uint8Array.of(0x41) },
    ]);
  });
});

describe('identifiers longer than 6 bytes', () => {
  const body = { kind: 'Prompt' as const, parameters: Uint8Array.of(0) };
  const header = { ...withCrc, entityIdBytes: 8, sequenceBytes: 7 };

  test.each([
    ['source', { source: 2 ** 48 + 5 }],
    ['sequence', { sequence: 2 ** 48 + 5 }],
    ['destination', { destination: 2 ** 50 + 5 }],
  ])('keep their low 48 bits, and say so: %s', (name, change) => {
    const bytes = writePdu({ header: { ...header, ...change }, body });
    expect(readPdu(bytes, 0, bytes.length)!.header).toEqual({ ...header, [name]: 5 });
    expect(hasLongId(bytes, 0)).toBe(true);
  });

  test('with zeros at the front are whole', () => {
    const ids = { source: 2 ** 48 - 1, sequence: 2 ** 48 - 2, destination: 2 ** 48 - 3 };
    const bytes = writePdu({ header: { ...header, ...ids }, body });
    expect(readPdu(bytes, 0, bytes.length)!.header).toEqual({ ...header, ...ids });
    expect(hasLongId(bytes, 0)).toBe(false);
  });
});

describe('the longest PDU', () => {
  const header = { ...withCrc, entityIdBytes: 8, sequenceBytes: 8 };
  const body = (length: number) => {
    return {
      kind: 'File Data' as const,
      recordContinuation: 0,
      segmentMetadata: null,
      offset: 1,
      data: new Uint8Array(length),
    };
  };

  test('is written and read', () => {
    const bytes = writePdu({ header, body: body(65535 - 4 - 2) });
    expect(bytes.length).toBe(MAX_PDU_BYTES);
    expect(readPdu(bytes, 0, bytes.length)).not.toBeNull();
  });

  test('with one byte more is refused', () => {
    expect(() => writePdu({ header, body: body(65535 - 4 - 1) })).toThrow('at most 65535 bytes fits a PDU, got 65536');
  });

  test.each([
    [
      'a size that needs the large file flag',
      { fileBytes: 2 ** 32 },
      {},
      'a whole number below 2^32 is needed here, got 4294967296',
    ],
    [
      'an identifier too long for its bytes',
      {},
      { source: 65536 },
      'a whole number below 2^16 is needed here, got 65536',
    ],
    ['a number that is not whole', { fileBytes: 0.5 }, {}, 'a whole number below 2^32 is needed here, got 0.5'],
    ['a file name of 256 bytes', { sourceName: 'é'.repeat(128) }, {}, 'at most 255 bytes fits a PDU, got 256'],
  ])('%s is refused', (_, change, headerChange, message) => {
    const metadata = {
      kind: 'Metadata' as const,
      closure: false,
      checksumType: 0,
      fileBytes: 1,
      sourceName: '',
      destinationName: '',
      tlvs: new Uint8Array(0),
    };
    const pdu = { header: { ...plainHeader, ...headerChange }, body: { ...metadata, ...change } };
    expect(() => writePdu(pdu)).toThrow(RangeError);
    expect(() => writePdu(pdu)).toThrow(message);
  });

  test('segment metadata of 64 bytes are refused', () => {
    const data = { ...body(1), segmentMetadata: new Uint8Array(64) };
    expect(() => writePdu({ header, body: data })).toThrow('at most 63 bytes fit a PDU, got 64');
  });
});
