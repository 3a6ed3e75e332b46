// CCSDS File Delivery Protocol (CCSDS 727.0-B-5), unacknowledged class: the innermost layer where files are sent by the standard.
// PDUs go to a sink one by one, and encoder and decoder keep no file. For what makes files of them:
// - A transaction is (source, sequence number), a file is (name, size, checksum): where these agree, several transactions are
//   repeats of one file. File Data names neither, so what comes before Metadata and EOF is kept under the transaction.
// - Sequence numbers restart after a reboot: Metadata or an EOF that contradict what the transaction has begin a new one.
// - An EOF with a condition other than 0 ends a cancelled transfer: its size and checksum are those of what was sent until then.
// - Different bytes for one place of a transaction are two contents, kept both until a checksum decides.
// - Data without Metadata are a file without a name; and a match of a modular checksum proves nothing while a byte is missing.
import { z } from 'zod';
import { CHECKSUM_TYPE, startCfdpChecksum } from '../bytes/cfdp-checksum.js';
import { RollingBuffer } from '../bytes/rolling-buffer.js';
import {
  dataFieldEnd,
  destinationAt,
  hasLongId,
  hasPduCrc,
  isFileData,
  isPduCrcRight,
  MAX_PDU_BYTES,
  type PduHeader,
  pduBytesAt,
  sequenceAt,
  sourceAt,
} from './cfdp-header.js';
import { fileDataAt, fileOffsetAt, type PduBody, type PduKind, readPdu, writePdu } from './cfdp-pdu.js';
import type { Decoder, LayerCounts } from './layer.js';

/** One sending of one file; of identifiers longer than 6 bytes the low 48 bits. */
export type Transaction = { readonly source: number; readonly sequence: number };

/** Facts of a Metadata PDU. */
export type FileMetadata = {
  /** The destination file name or, where that is empty, the source file name; as sent: untrusted. Empty for a transaction without a file. */
  readonly name: string;
  /** 0 for a file without a stated size, and for an empty one: its EOF tells. */
  readonly bytes: number;
  readonly checksumType: number;
  readonly closure: boolean;
  readonly at: number;
};

/** Facts of an EOF PDU. With a condition other than 0 the transfer was cancelled, and they are those of what was sent until then. */
export type FileEnd = {
  readonly condition: number;
  readonly checksum: number;
  readonly bytes: number;
  readonly at: number;
};

/** What takes the PDUs, in the order they come. `bytes` is lent for the call; `at` = offset in the recording of the PDU's first byte. */
export interface FileDeliverySink {
  /** `bytes[start, end)` stand at `offset` in the file; never empty. */
  fileData(transaction: Transaction, offset: number, bytes: Uint8Array, start: number, end: number, at: number): void;
  metadata(transaction: Transaction, metadata: FileMetadata): void;
  eof(transaction: Transaction, eof: FileEnd): void;
  /** A PDU that says nothing of a file's content. */
  other?(transaction: Transaction, at: number): void;
  /** The PDUs that follow came in the unit of this count, in so many parts, see `Receiver.sequence`. */
  sequence?(count: number, parts: number): void;
  /** No whole PDU: its CRC fails, it is cut, or it is something else. Of one unit at most `MAX_PDU_BYTES` in a row. */
  damaged(bytes: Uint8Array, start: number, end: number, at: number): void;
}

export type CfdpOptions = {
  /** Entity that sends the files; absent = any. */
  source?: number | undefined;
  /** Entity that the files are sent to; absent = any. */
  destination?: number | undefined;
  /** Check the CRC of PDUs that say they have one (`flag`, default), or take those without one for damaged (`required`). */
  crc?: 'flag' | 'required' | undefined;
};

const entityId = z
  .number()
  .int()
  .min(0)
  .max(2 ** 48 - 1)
  .optional();

export const cfdpOptions: z.ZodType<CfdpOptions> = z.strictObject({
  source: entityId,
  destination: entityId,
  crc: z.enum(['flag', 'required']).optional(),
});

/** Transactions told apart for the count: a bound for crafted input. */
const MAX_TRANSACTIONS = 65536;

/**
 * Units hold one PDU, or several back to back. Whole PDUs are read where they lie; one that is split over several pushes waits in
 * `#held`, which also takes what is no PDU until the unit's end shows how much that is.
 */
export class CfdpDecoder implements Decoder {
  readonly #sink: FileDeliverySink;
  readonly #source: number | undefined;
  readonly #destination: number | undefined;
  readonly #crcRequired: boolean;
  readonly #held = new RollingBuffer();
  /** Offset in the recording of the first byte held. */
  #heldAt = 0;
  /** Bytes of a unit came, and its end not yet. */
  #inUnit = false;
  /** The rest of this unit is of no use. */
  #skipping = false;
  /** Something in this unit was damaged: where its next PDU begins is only to be believed if a CRC says so. */
  #doubtful = false;
  #last: Transaction = { source: -1, sequence: -1 };
  readonly #transactions = new Map<number, Map<number, Transaction>>();
  readonly #pdus = new Map<PduKind, number>();
  readonly #counts = {
    transactions: 0,
    crcFailures: 0,
    damaged: 0,
    withoutCrc: 0,
    otherEntities: 0,
    idsShortened: 0,
    fillBytes: 0,
    skippedBytes: 0,
  };
  #fileData = 0;

  constructor(options: CfdpOptions, sink: FileDeliverySink) {
    this.#sink = sink;
    this.#source = options.source;
    this.#destination = options.destination;
    this.#crcRequired = options.crc === 'required';
  }

  push(buffer: Uint8Array, start: number, end: number, at: number, unitStart: number): void {
    const split = Math.min(Math.max(start, unitStart), end);
    this.#take(buffer, start, split, at);
    if (unitStart >= start) this.unitEnd();
    this.#take(buffer, split, end, at + split - start);
  }

  sequence(count: number, parts: number): void {
    this.#sink.sequence?.(count, parts);
  }

  gap(): void {
    if (!this.#inUnit) return;
    this.#release();
    this.#skipping = true;
  }

  unitEnd(): void {
    this.#release();
    this.#inUnit = false;
    this.#skipping = false;
    this.#doubtful = false;
  }

  end(): void {
    this.unitEnd();
  }

  counts(): LayerCounts {
    const { transactions, crcFailures, damaged, ...others } = this.#counts;
    const counts: Record<string, number> = { transactions, 'File Data': this.#fileData, Metadata: 0, EOF: 0 };
    for (const [kind, times] of this.#pdus) counts[kind] = times;
    Object.assign(counts, { crcFailures, damaged });
    for (const [name, times] of Object.entries(others)) if (times > 0) counts[name] = times;
    return counts;
  }

  #take(buffer: Uint8Array, start: number, end: number, at: number): void {
    if (start < end) this.#inUnit = true;
    let i = start;
    while (i < end && !this.#skipping) {
      if (this.#held.length > 0) {
        i = this.#hold(buffer, i, end);
        continue;
      }
      const size = pduBytesAt(buffer, i, end);
      if (size > 0 && i + size <= end) {
        this.#read(buffer, i, size, at + i - start);
        i += size;
      } else {
        this.#heldAt = at + i - start;
        i = this.#hold(buffer, i, end);
      }
    }
    this.#counts.skippedBytes += end - i;
  }

  /** Takes over what the PDU held still lacks, as far as it is there, and reads it once whole; returns where that ends. */
  #hold(buffer: Uint8Array, from: number, end: number): number {
    const held = this.#held;
    const size = pduBytesAt(held.bytes, held.start, held.end);
    // Too little to know the size: byte by byte. No PDU: all there is.
    const wanted = size === 0 ? held.length + 1 : size < 0 ? MAX_PDU_BYTES : size;
    const until = Math.min(end, from + wanted - held.length);
    held.append(buffer, from, until);
    if (held.length === size) {
      this.#read(held.bytes, held.start, size, this.#heldAt);
      held.clear();
    } else if (held.length === MAX_PDU_BYTES) {
      this.#release();
      this.#skipping = true;
    }
    return until;
  }

  /** No more bytes come for what is held. */
  #release(): void {
    const { bytes, start, end, length } = this.#held;
    if (length === 0) return;
    this.#held.clear();
    let zeros = start;
    while (zeros < end && bytes[zeros] === 0) zeros++;
    if (zeros === end) this.#counts.fillBytes += length;
    else this.#reportDamaged(bytes, start, end, this.#heldAt);
  }

  #reportDamaged(bytes: Uint8Array, start: number, end: number, at: number): void {
    this.#doubtful = true;
    this.#counts.damaged++;
    this.#sink.damaged(bytes, start, end, at);
  }

  /** The PDU `bytes[start, start + size)`. */
  #read(bytes: Uint8Array, start: number, size: number, at: number): void {
    const hasCrc = hasPduCrc(bytes, start);
    if (!isPduCrcRight(bytes, start, size)) {
      this.#counts.crcFailures++;
      this.#reportDamaged(bytes, start, start + size, at);
    } else if (!hasCrc && (this.#crcRequired || this.#doubtful)) {
      this.#counts.withoutCrc++;
      this.#reportDamaged(bytes, start, start + size, at);
    } else if (
      (this.#source !== undefined && sourceAt(bytes, start) !== this.#source) ||
      (this.#destination !== undefined && destinationAt(bytes, start) !== this.#destination)
    ) {
      this.#counts.otherEntities++;
    } else {
      const isRead = isFileData(bytes, start)
        ? this.#readFileData(bytes, start, size, at)
        : this.#readDirective(bytes, start, size, at);
      if (!isRead) this.#reportDamaged(bytes, start, start + size, at);
      else if (hasLongId(bytes, start)) this.#counts.idsShortened++;
    }
  }

  #readFileData(bytes: Uint8Array, start: number, size: number, at: number): boolean {
    const end = dataFieldEnd(bytes, start, size);
    const offset = fileOffsetAt(bytes, start, end);
    const data = fileDataAt(bytes, start);
    if (offset < 0) return false;
    this.#fileData++;
    const transaction = this.#transaction(sourceAt(bytes, start), sequenceAt(bytes, start));
    if (data < end) this.#sink.fileData(transaction, offset, bytes, data, end, at);
    else this.#sink.other?.(transaction, at);
    return true;
  }

  #readDirective(bytes: Uint8Array, start: number, size: number, at: number): boolean {
    const pdu = readPdu(bytes, start, start + size);
    if (!pdu) return false;
    const { header, body } = pdu;
    this.#pdus.set(body.kind, (this.#pdus.get(body.kind) ?? 0) + 1);
    const transaction = this.#transaction(header.source, header.sequence);
    if (body.kind === 'Metadata') {
      const { closure, checksumType, fileBytes, sourceName, destinationName } = body;
      const name = destinationName || sourceName;
      this.#sink.metadata(transaction, { name, bytes: fileBytes, checksumType, closure, at });
    } else if (body.kind === 'EOF') {
      const { condition, checksum, fileBytes } = body;
      this.#sink.eof(transaction, { condition, checksum, bytes: fileBytes, at });
    } else {
      this.#sink.other?.(transaction, at);
    }
    return true;
  }

  /** One object for each transaction, made when it is first met. */
  #transaction(source: number, sequence: number): Transaction {
    if (this.#last.source === source && this.#last.sequence === sequence) return this.#last;
    const own = this.#transactions.get(source) ?? new Map<number, Transaction>();
    const known = own.get(sequence);
    this.#last = known ?? { source, sequence };
    if (!known && this.#counts.transactions < MAX_TRANSACTIONS) {
      this.#counts.transactions++;
      this.#transactions.set(source, own.set(sequence, this.#last));
    }
    return this.#last;
  }
}

export type CfdpEncoderOptions = {
  readonly source: number;
  readonly destination: number;
  /** File bytes of one File Data PDU. Default 1024. */
  readonly segmentBytes?: number;
  /** Default 0, modular. */
  readonly checksumType?: number;
  /** Default false. */
  readonly crc?: boolean;
  /** Sizes and offsets of 64 bits. Default false. */
  readonly largeFile?: boolean;
  /** Default false. */
  readonly closure?: boolean;
  /** Bytes of an entity identifier, 1 to 8. Default 2. */
  readonly entityIdBytes?: number;
  /** Bytes of a transaction sequence number, 1 to 8. Default 2. */
  readonly sequenceBytes?: number;
};

/** A file to be sent. */
export type CfdpFile = { readonly name: string; readonly content: Uint8Array; readonly sequence: number };

/**
 * Makes what turns a file into the PDUs of one transaction: Metadata, File Data by rising offset, EOF. They are made one by one as
 * they are asked for; each is the caller's to keep.
 *
 * @throws RangeError for an unknown checksum type and, while PDUs are made, for what does not fit its field
 */
export function cfdpEncoder(options: CfdpEncoderOptions): (file: CfdpFile) => Iterable<Uint8Array> {
  const { source, destination, segmentBytes = 1024, checksumType = CHECKSUM_TYPE.modular } = options;
  if (!startCfdpChecksum(checksumType)) throw new RangeError(`checksum type ${checksumType} is not known`);
  if (!(segmentBytes >= 1)) throw new RangeError(`a File Data PDU of at least 1 byte is needed, got ${segmentBytes}`);
  const header: Omit<PduHeader, 'sequence'> = {
    version: 1,
    pduType: 0,
    direction: 0,
    mode: 1,
    crcFlag: Number(options.crc ?? false),
    largeFile: Number(options.largeFile ?? false),
    segmentationControl: 0,
    entityIdBytes: options.entityIdBytes ?? 2,
    segmentMetadataFlag: 0,
    sequenceBytes: options.sequenceBytes ?? 2,
    source,
    destination,
  };
  return function* ({ name, content, sequence }): Iterable<Uint8Array> {
    const write = (body: PduBody): Uint8Array => writePdu({ header: { ...header, sequence }, body });
    const fileBytes = content.length;
    const tlvs = new Uint8Array(0);
    const closure = options.closure ?? false;
    yield write({ kind: 'Metadata', closure, checksumType, fileBytes, sourceName: name, destinationName: name, tlvs });
    const checksum = startCfdpChecksum(checksumType)!;
    for (let offset = 0; offset < fileBytes; offset += segmentBytes) {
      const data = content.subarray(offset, offset + segmentBytes);
      checksum.update(data);
      yield write({ kind: 'File Data', recordContinuation: 0, segmentMetadata: null, offset, data });
    }
    yield write({ kind: 'EOF', condition: 0, checksum: checksum.digest(), fileBytes, tlvs });
  };
}
