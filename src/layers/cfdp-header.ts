// The header of a PDU of the CCSDS File Delivery Protocol (CCSDS 727.0-B-5, 5.1), read and written, and the optional CRC behind the
// data field. Issues before B-4 have version 0 and zeros where newer flags stand, so that they read the same.
import { Parser } from 'binary-parser';
import { makeCrc } from '../bytes/crc.js';
import { CRC_CATALOGUE } from '../bytes/crc-catalogue.js';

/** Bytes of the header before the identifiers. */
const FIXED_BYTES = 4;
/** The longest header, and the longest data field. */
export const MAX_PDU_BYTES: number = FIXED_BYTES + 3 * 8 + 65535;
const CRC_BYTES = 2;

/** The header in the standard's fields, flags 0 or 1. Of identifiers longer than 6 bytes the low 48 bits. */
export type PduHeader = {
  version: number;
  /** 0 file directive, 1 file data. */
  pduType: number;
  direction: number;
  mode: number;
  crcFlag: number;
  largeFile: number;
  segmentationControl: number;
  /** 1 to 8. */
  entityIdBytes: number;
  segmentMetadataFlag: number;
  /** 1 to 8. */
  sequenceBytes: number;
  source: number;
  sequence: number;
  destination: number;
};

// Lengths of identifiers are sent less one; the data field includes the CRC.
const layout = new Parser()
  .endianess('big')
  .bit3('version') // 0 1; 0 before B-4
  .bit1('pduType') // 0 0 file directive, 1 file data
  .bit1('direction') // 0 0 toward the file receiver
  .bit1('mode') // 0 0 acknowledged, 1 unacknowledged
  .bit1('crcFlag') // 0 1 = the last two bytes are a CRC
  .bit1('largeFile') // 0 1 = sizes and offsets have 64 bits, else 32
  .uint16('dataFieldBytes') // 1 all that follows the header
  .bit1('segmentationControl') // 3 1 = record boundaries are kept
  .bit3('entityIdLength') // 3 bytes - 1
  .bit1('segmentMetadataFlag') // 3 of file data
  .bit3('sequenceLength'); // 3 bytes - 1; from byte 4 on: source, sequence number, destination

type Fixed = Omit<PduHeader, 'entityIdBytes' | 'sequenceBytes' | 'source' | 'sequence' | 'destination'> & {
  dataFieldBytes: number;
  entityIdLength: number;
  sequenceLength: number;
};

const crc16 = makeCrc(CRC_CATALOGUE['CRC-16/IBM-3740']);

/**
 * Reads a header and finds the data field behind it.
 *
 * @param bytes not copied, not kept
 * @param end index after the last byte there
 * @returns the header and the data field's range, without the CRC; `null` where no whole PDU stands at `start`, or its CRC fails
 */
export function readPduHeader(
  bytes: Uint8Array,
  start: number,
  end: number,
): { header: PduHeader; fieldStart: number; fieldEnd: number } | null {
  const size = pduBytesAt(bytes, start, end);
  if (size <= 0 || start + size > end || !isPduCrcRight(bytes, start, size)) return null;
  const fixed = layout.parse(bytes.subarray(start, start + FIXED_BYTES)) as Fixed;
  const { dataFieldBytes, entityIdLength, sequenceLength, ...flags } = fixed;
  const entityIdBytes = entityIdLength + 1;
  const sequenceBytes = sequenceLength + 1;
  const sequence = start + FIXED_BYTES + entityIdBytes;
  const destination = sequence + sequenceBytes;
  const fieldStart = destination + entityIdBytes;
  const header: PduHeader = {
    ...flags,
    entityIdBytes,
    sequenceBytes,
    source: readId(bytes, start + FIXED_BYTES, entityIdBytes),
    sequence: readId(bytes, sequence, sequenceBytes),
    destination: readId(bytes, destination, entityIdBytes),
  };
  return { header, fieldStart, fieldEnd: fieldStart + dataFieldBytes - CRC_BYTES * flags.crcFlag };
}

/**
 * Writes header, data field and, where the header's flag is set, the CRC.
 *
 * @throws RangeError for a data field that is too long, or an identifier that does not fit its bytes
 */
export function writePduAround(header: PduHeader, field: Uint8Array): Uint8Array {
  const { crcFlag, entityIdBytes, sequenceBytes } = header;
  const dataFieldBytes = field.length + CRC_BYTES * crcFlag;
  if (dataFieldBytes > 65535)
    throw new RangeError(`a data field of at most 65535 bytes fits a PDU, got ${dataFieldBytes}`);
  const { version, pduType, direction, mode, largeFile, segmentationControl, segmentMetadataFlag } = header;
  const pdu = Buffer.concat([
    Buffer.from([
      (version << 5) | (pduType << 4) | (direction << 3) | (mode << 2) | (crcFlag << 1) | largeFile,
      dataFieldBytes >> 8,
      dataFieldBytes & 255,
      (segmentationControl << 7) | ((entityIdBytes - 1) << 4) | (segmentMetadataFlag << 3) | (sequenceBytes - 1),
    ]),
    writeUnsigned(header.source, entityIdBytes),
    writeUnsigned(header.sequence, sequenceBytes),
    writeUnsigned(header.destination, entityIdBytes),
    field,
    Buffer.alloc(CRC_BYTES * crcFlag),
  ]);
  if (crcFlag) pdu.writeUInt16BE(crc16(pdu, 0, pdu.length - CRC_BYTES), pdu.length - CRC_BYTES);
  return pdu;
}

/**
 * `value` in `size` bytes, big-endian.
 *
 * @throws RangeError where it does not fit
 */
export function writeUnsigned(value: number, size: number): Uint8Array {
  if (!Number.isSafeInteger(value) || value < 0 || value >= 256 ** size) {
    throw new RangeError(`a whole number below 2^${Math.min(53, 8 * size)} is needed here, got ${value}`);
  }
  const bytes = new Uint8Array(size);
  for (let at = size - 1, rest = value; rest > 0; at--, rest = Math.floor(rest / 256)) bytes[at] = rest % 256;
  return bytes;
}

// The hot path: by offset what the layout states; a test holds the two equal. `start` is where the header begins.

/**
 * Bytes of the PDU whose header begins at `bytes[start]`.
 *
 * @returns 0 where fewer than 4 bytes are there to tell; -1 where no PDU begins: unknown version, or a data field too short
 */
export function pduBytesAt(bytes: Uint8Array, start: number, end: number): number {
  if (end - start < FIXED_BYTES) return 0;
  const flags = bytes[start]!;
  const dataFieldBytes = (bytes[start + 1]! << 8) | bytes[start + 2]!;
  // A directive code, or an offset with the length of the segment metadata before it; and the CRC.
  const content = flags & 0x10 ? (flags & 1 ? 8 : 4) + ((bytes[start + 3]! >> 3) & 1) : 1;
  const isPossible = flags >> 5 <= 1 && dataFieldBytes >= content + (flags & 2 ? CRC_BYTES : 0);
  return isPossible ? dataFieldAt(bytes, start) - start + dataFieldBytes : -1;
}

export function hasPduCrc(bytes: Uint8Array, start: number): boolean {
  return (bytes[start]! & 2) !== 0;
}

/** Whether the CRC of a whole PDU of `size` bytes is right; true for a PDU without one. */
export function isPduCrcRight(bytes: Uint8Array, start: number, size: number): boolean {
  if (!hasPduCrc(bytes, start)) return true;
  const at = start + size - CRC_BYTES;
  return crc16(bytes, start, at) === ((bytes[at]! << 8) | bytes[at + 1]!);
}

/** Index after the data field of a PDU of `size` bytes, its CRC not counted. */
export function dataFieldEnd(bytes: Uint8Array, start: number, size: number): number {
  return start + size - (hasPduCrc(bytes, start) ? CRC_BYTES : 0);
}

export function isFileData(bytes: Uint8Array, start: number): boolean {
  return (bytes[start]! & 0x10) !== 0;
}

export function isLargeFile(bytes: Uint8Array, start: number): boolean {
  return (bytes[start]! & 1) !== 0;
}

export function hasSegmentMetadata(bytes: Uint8Array, start: number): boolean {
  return (bytes[start + 3]! & 8) !== 0;
}

export function sourceAt(bytes: Uint8Array, start: number): number {
  return readId(bytes, start + FIXED_BYTES, entityIdBytesAt(bytes, start));
}

export function sequenceAt(bytes: Uint8Array, start: number): number {
  return readId(bytes, start + FIXED_BYTES + entityIdBytesAt(bytes, start), sequenceBytesAt(bytes, start));
}

export function destinationAt(bytes: Uint8Array, start: number): number {
  const size = entityIdBytesAt(bytes, start);
  return readId(bytes, start + FIXED_BYTES + size + sequenceBytesAt(bytes, start), size);
}

/** Whether an identifier has bits above the 48 that are read. */
export function hasLongId(bytes: Uint8Array, start: number): boolean {
  const idBytes = entityIdBytesAt(bytes, start);
  const sequenceBytes = sequenceBytesAt(bytes, start);
  if (idBytes <= 6 && sequenceBytes <= 6) return false;
  const source = start + FIXED_BYTES;
  const sequence = source + idBytes;
  const destination = sequence + sequenceBytes;
  const isLong = (at: number, size: number): boolean =>
    bytes.subarray(at, at + Math.max(0, size - 6)).some((byte) => byte > 0);
  return isLong(source, idBytes) || isLong(sequence, sequenceBytes) || isLong(destination, idBytes);
}

/** Index of the data field. */
export function dataFieldAt(bytes: Uint8Array, start: number): number {
  return start + FIXED_BYTES + 2 * entityIdBytesAt(bytes, start) + sequenceBytesAt(bytes, start);
}

function entityIdBytesAt(bytes: Uint8Array, start: number): number {
  return ((bytes[start + 3]! >> 4) & 7) + 1;
}

function sequenceBytesAt(bytes: Uint8Array, start: number): number {
  return (bytes[start + 3]! & 7) + 1;
}

function readId(bytes: Uint8Array, at: number, size: number): number {
  let value = 0;
  for (let i = Math.max(0, size - 6); i < size; i++) value = value * 256 + bytes[at + i]!;
  return value;
}
