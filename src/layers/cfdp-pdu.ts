// The protocol data units of the CCSDS File Delivery Protocol (CCSDS 727.0-B-5, 5.2 and 5.3), read and written: Metadata, File Data
// and EOF in full; Finished, ACK, NAK, Prompt and Keep Alive by their kind, with their parameters as they stand.
import { Parser } from 'binary-parser';
import {
  dataFieldAt,
  hasSegmentMetadata,
  isLargeFile,
  type PduHeader,
  readPduHeader,
  writePduAround,
  writeUnsigned,
} from './cfdp-header.js';

const DIRECTIVE = { EOF: 4, Finished: 5, ACK: 6, Metadata: 7, NAK: 8, Prompt: 9, 'Keep Alive': 12 } as const;

export type PduKind = 'File Data' | keyof typeof DIRECTIVE;

export type PduBody =
  | {
      readonly kind: 'Metadata';
      readonly closure: boolean;
      readonly checksumType: number;
      /** 0 for a file without a stated size, and for an empty one: its EOF tells. */
      readonly fileBytes: number;
      readonly sourceName: string;
      readonly destinationName: string;
      /** The options behind the names, as they stand; `readTlvs` takes them apart. */
      readonly tlvs: Uint8Array;
    }
  | {
      readonly kind: 'File Data';
      /** Record continuation state; 0 without segment metadata. */
      readonly recordContinuation: number;
      /** At most 63 bytes; `null` where the header says that there is none. */
      readonly segmentMetadata: Uint8Array | null;
      readonly offset: number;
      readonly data: Uint8Array;
    }
  | {
      readonly kind: 'EOF';
      /** Condition code; 0 = no error. */
      readonly condition: number;
      readonly checksum: number;
      readonly fileBytes: number;
      /** The fault location, as it stands; empty without a fault. */
      readonly tlvs: Uint8Array;
    }
  | { readonly kind: 'Finished' | 'ACK' | 'NAK' | 'Prompt' | 'Keep Alive'; readonly parameters: Uint8Array };

export type Pdu = { readonly header: PduHeader; readonly body: PduBody };

const metadataLayout = new Parser()
  .uint8('directive') // 0 7
  .bit1('reserved1') // 1
  .bit1('closure') // 1 1 = closure requested
  .bit2('reserved2') // 1
  .bit4('checksumType'); // 1 then file size (32 or 64 bits), source name, destination name (LV), options (TLV)

const eofLayout = new Parser()
  .endianess('big')
  .uint8('directive') // 0 4
  .bit4('condition') // 1 0 = no error
  .bit4('spare') // 1
  .uint32('checksum'); // 2 then file size (32 or 64 bits) and, after a fault, its location (TLV)

const segmentMetadataLayout = new Parser()
  .bit2('recordContinuation') // 0
  .bit6('length'); // 0 bytes; then the metadata. Behind it, or alone: offset (32 or 64 bits), file data

/**
 * Reads the PDU at `bytes[start]`.
 *
 * @param end index after the last byte there; the PDU may end before it
 * @returns its fields (those of bytes are views), or `null` for what is no whole PDU: cut, with a CRC that fails, of an unknown
 *   version or directive, with parts longer than the data field, or with a size or offset above 2^53
 */
export function readPdu(bytes: Uint8Array, start: number, end: number): Pdu | null {
  const read = readPduHeader(bytes, start, end);
  if (!read) return null;
  const { header, fieldStart, fieldEnd } = read;
  const field = bytes.subarray(fieldStart, fieldEnd);
  const body = header.pduType === 1 ? readFileData(field, header) : readDirective(field, header);
  return body && { header, body };
}

function readFileData(field: Uint8Array, { largeFile, segmentMetadataFlag }: PduHeader): PduBody | null {
  let at = 0;
  let recordContinuation = 0;
  let segmentMetadata: Uint8Array | null = null;
  if (segmentMetadataFlag) {
    const state = segmentMetadataLayout.parse(field) as { recordContinuation: number; length: number };
    recordContinuation = state.recordContinuation;
    at = 1 + state.length;
    segmentMetadata = field.subarray(1, at);
  }
  const offset = readSize(field, at, field.length, largeFile);
  const data = field.subarray(at + sizeBytes(largeFile));
  return offset < 0 ? null : { kind: 'File Data', recordContinuation, segmentMetadata, offset, data };
}

function readDirective(field: Uint8Array, { largeFile }: PduHeader): PduBody | null {
  const kind = (Object.keys(DIRECTIVE) as (keyof typeof DIRECTIVE)[]).find((name) => DIRECTIVE[name] === field[0]);
  const size = sizeBytes(largeFile);
  if (kind === undefined) return null;
  if (kind === 'Metadata') {
    const fileBytes = readSize(field, 2, field.length, largeFile);
    const source = fileBytes < 0 ? null : readLv(field, 2 + size);
    const destination = source && readLv(field, source.end);
    if (!destination) return null;
    const { closure, checksumType } = metadataLayout.parse(field) as { closure: number; checksumType: number };
    const names = { sourceName: source.text, destinationName: destination.text };
    return { kind, closure: closure === 1, checksumType, fileBytes, ...names, tlvs: field.subarray(destination.end) };
  }
  if (kind === 'EOF') {
    const fileBytes = readSize(field, 6, field.length, largeFile);
    if (fileBytes < 0) return null;
    const { condition, checksum } = eofLayout.parse(field) as { condition: number; checksum: number };
    return { kind, condition, checksum, fileBytes, tlvs: field.subarray(6 + size) };
  }
  return { kind, parameters: field.subarray(1) };
}

function readLv(field: Uint8Array, at: number): { text: string; end: number } | null {
  const end = at + 1 + (field[at] ?? field.length);
  return end > field.length ? null : { text: Buffer.from(field.subarray(at + 1, end)).toString('utf8'), end };
}

/** Takes options apart, values as views; `null` where they are cut. */
export function readTlvs(bytes: Uint8Array): { type: number; value: Uint8Array }[] | null {
  const tlvs: { type: number; value: Uint8Array }[] = [];
  for (let at = 0; at < bytes.length; ) {
    const end = at + 2 + (bytes[at + 1] ?? bytes.length);
    if (end > bytes.length) return null;
    tlvs.push({ type: bytes[at]!, value: bytes.subarray(at + 2, end) });
    at = end;
  }
  return tlvs;
}

/**
 * Writes a PDU, with its CRC where the header's flag is set. What depends on the body (PDU type, segment metadata flag) is taken
 * from it.
 *
 * @throws RangeError for a size, offset, identifier, name, segment metadata or data field too large for its place
 */
export function writePdu({ header, body }: Pdu): Uint8Array {
  const isFileData = body.kind === 'File Data';
  const segmentMetadataFlag = Number(isFileData && body.segmentMetadata !== null);
  const field = Buffer.concat(writeBody(body, sizeBytes(header.largeFile)));
  return writePduAround({ ...header, pduType: Number(isFileData), segmentMetadataFlag }, field);
}

function writeBody(body: PduBody, size: number): Uint8Array[] {
  switch (body.kind) {
    case 'File Data': {
      const { recordContinuation, segmentMetadata, offset, data } = body;
      if (segmentMetadata === null) return [writeUnsigned(offset, size), data];
      if (segmentMetadata.length > 63) {
        throw new RangeError(`segment metadata of at most 63 bytes fit a PDU, got ${segmentMetadata.length}`);
      }
      const state = Uint8Array.of((recordContinuation << 6) | segmentMetadata.length);
      return [state, segmentMetadata, writeUnsigned(offset, size), data];
    }
    case 'Metadata': {
      const start = Uint8Array.of(DIRECTIVE.Metadata, (Number(body.closure) << 6) | body.checksumType);
      const fileBytes = writeUnsigned(body.fileBytes, size);
      return [start, fileBytes, writeLv(body.sourceName), writeLv(body.destinationName), body.tlvs];
    }
    case 'EOF': {
      const start = Uint8Array.of(DIRECTIVE.EOF, body.condition << 4);
      return [start, writeUnsigned(body.checksum, 4), writeUnsigned(body.fileBytes, size), body.tlvs];
    }
    default:
      return [Uint8Array.of(DIRECTIVE[body.kind]), body.parameters];
  }
}

function writeLv(text: string): Uint8Array {
  const bytes = Buffer.from(text, 'utf8');
  if (bytes.length > 255) throw new RangeError(`a file name of at most 255 bytes fits a PDU, got ${bytes.length}`);
  return Buffer.concat([Uint8Array.of(bytes.length), bytes]);
}

const sizeBytes = (largeFile: number): number => (largeFile ? 8 : 4);

/** The size or offset at `bytes[at]`; -1 where it is cut, or passes 2^53. */
function readSize(bytes: Uint8Array, at: number, end: number, largeFile: number): number {
  if (at + sizeBytes(largeFile) > end) return -1;
  const first = readWord(bytes, at);
  if (!largeFile) return first;
  const value = first * 2 ** 32 + readWord(bytes, at + 4);
  return value <= Number.MAX_SAFE_INTEGER ? value : -1;
}

function readWord(bytes: Uint8Array, at: number): number {
  return ((bytes[at]! << 24) | (bytes[at + 1]! << 16) | (bytes[at + 2]! << 8) | bytes[at + 3]!) >>> 0;
}

// The hot path for File Data: by offset what the layouts state; a test holds the two equal. `start` is where the PDU begins.

/** Index of the file data of a File Data PDU; behind the PDU's end where the segment metadata are longer than the data field. */
export function fileDataAt(bytes: Uint8Array, start: number): number {
  return fileOffsetIndex(bytes, start) + (isLargeFile(bytes, start) ? 8 : 4);
}

/** Offset in the file of the data of a File Data PDU; -1 where it is cut off at `end`, or passes 2^53. */
export function fileOffsetAt(bytes: Uint8Array, start: number, end: number): number {
  return readSize(bytes, fileOffsetIndex(bytes, start), end, Number(isLargeFile(bytes, start)));
}

function fileOffsetIndex(bytes: Uint8Array, start: number): number {
  const field = dataFieldAt(bytes, start);
  return hasSegmentMetadata(bytes, start) ? field + 1 + (bytes[field]! & 63) : field;
}
