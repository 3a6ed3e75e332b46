// What a decoder of the File Delivery Protocol hands on, written down so that it can be compared; and PDUs as the tests need them.
import { readFileSync } from 'node:fs';
import fc from 'fast-check';
import { CfdpDecoder, type CfdpOptions, type FileDeliverySink } from '../../src/layers/cfdp.js';
import type { PduHeader } from '../../src/layers/cfdp-header.js';
import type { PduBody } from '../../src/layers/cfdp-pdu.js';

export type Vector = {
  id: string;
  hex: string;
  expect: Record<string, unknown> & { source?: number };
  verified: string;
};

const { vectors } = JSON.parse(readFileSync(new URL('../vectors/cfdp.json', import.meta.url), 'utf8')) as {
  vectors: Vector[];
};
export const pduVectors: Vector[] = vectors.filter(({ id }) => !id.startsWith('modular'));
export const checksumVectors: Vector[] = vectors.filter(({ id }) => id.startsWith('modular'));

/** One call of the sink; what was lent is copied. */
export type Event = { call: keyof FileDeliverySink; at: number; [fact: string]: unknown };

export function recordingSink(): { events: Event[]; sink: FileDeliverySink } {
  const events: Event[] = [];
  const sink: FileDeliverySink = {
    fileData: (transaction, offset, bytes, start, end, at) => {
      events.push({ call: 'fileData', at, ...transaction, offset, data: Buffer.from(bytes.slice(start, end)) });
    },
    metadata: (transaction, metadata) => events.push({ call: 'metadata', ...transaction, ...metadata }),
    eof: (transaction, eof) => events.push({ call: 'eof', ...transaction, ...eof }),
    damaged: (bytes, start, end, at) => {
      events.push({ call: 'damaged', at, data: Buffer.from(bytes.slice(start, end)) });
    },
  };
  return { events, sink };
}

/** What comes of units pushed whole, one after the other, the first byte at 0. */
export function decodeUnits(
  units: readonly Uint8Array[],
  options: CfdpOptions = {},
): { events: Event[]; counts: Readonly<Record<string, number>> } {
  const { events, sink } = recordingSink();
  const decoder = new CfdpDecoder(options, sink);
  let at = 0;
  for (const unit of units) {
    decoder.push(unit, 0, unit.length, at, 0);
    decoder.unitEnd();
    at += unit.length;
  }
  decoder.end();
  return { events, counts: decoder.counts() };
}

export const plainHeader: PduHeader = {
  version: 1,
  pduType: 0,
  direction: 0,
  mode: 1,
  crcFlag: 0,
  largeFile: 0,
  segmentationControl: 0,
  entityIdBytes: 2,
  segmentMetadataFlag: 0,
  sequenceBytes: 2,
  source: 1,
  sequence: 7,
  destination: 2,
};

export const withCrc: PduHeader = { ...plainHeader, crcFlag: 1 };

const bit = fc.nat(1);
const bytes = (maxLength: number): fc.Arbitrary<Uint8Array> => fc.uint8Array({ maxLength });
const id = (size: number): fc.Arbitrary<number> => fc.maxSafeNat().map((value) => value % 256 ** Math.min(size, 6));

/** Headers without what the body decides. */
export const anyHeader: fc.Arbitrary<PduHeader> = fc
  .tuple(fc.integer({ min: 1, max: 8 }), fc.integer({ min: 1, max: 8 }))
  .chain(([entityIdBytes, sequenceBytes]) =>
    fc.record({
      version: bit,
      pduType: fc.constant(0),
      direction: bit,
      mode: bit,
      crcFlag: bit,
      largeFile: bit,
      segmentationControl: bit,
      entityIdBytes: fc.constant(entityIdBytes),
      segmentMetadataFlag: fc.constant(0),
      sequenceBytes: fc.constant(sequenceBytes),
      source: id(entityIdBytes),
      sequence: id(sequenceBytes),
      destination: id(entityIdBytes),
    }),
  );

const name = fc.string({ maxLength: 60, unit: 'grapheme' });

export const anyBody = (largeFile: number): fc.Arbitrary<PduBody> => {
  const size = largeFile ? fc.maxSafeNat() : fc.nat(2 ** 32 - 1);
  return fc.oneof(
    fc.record({
      kind: fc.constant('Metadata' as const),
      closure: fc.boolean(),
      checksumType: fc.nat(15),
      fileBytes: size,
      sourceName: name,
      destinationName: name,
      tlvs: bytes(40),
    }),
    fc
      .record({
        kind: fc.constant('File Data' as const),
        recordContinuation: fc.nat(3),
        segmentMetadata: fc.option(bytes(63)),
        offset: size,
        data: bytes(300),
      })
      .map((body) => (body.segmentMetadata ? body : { ...body, recordContinuation: 0 })),
    fc.record({
      kind: fc.constant('EOF' as const),
      condition: fc.nat(15),
      checksum: fc.nat(2 ** 32 - 1),
      fileBytes: size,
      tlvs: bytes(10),
    }),
    fc.record({
      kind: fc.constantFrom(
        'Finished' as const,
        'ACK' as const,
        'NAK' as const,
        'Prompt' as const,
        'Keep Alive' as const,
      ),
      parameters: bytes(30),
    }),
  );
};
