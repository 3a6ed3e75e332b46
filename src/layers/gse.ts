// Generic Stream Encapsulation (TS 102 606-1): PDUs, whole or in fragments, in the data fields of baseband frames.
// A fragmented PDU is proven by its Total Length and CRC-32; a whole one has no check but its own, which the next layer makes.
import { z } from 'zod';
import { makeCrc } from '../bytes/crc.js';
import { CRC_CATALOGUE } from '../bytes/crc-catalogue.js';
import { UsageError } from '../errors.js';
import { etherTypeOf, FIRST_ETHERTYPE, typeName, unwrapExtensions } from './extension-header.js';
import { LABEL_BYTES, LABEL_TYPE, writeGsePacket } from './gse-packet.js';
import type { Decoder, Encoder, LayerCounts, LayerDefinition, Receiver } from './layer.js';
import { LocatedBuffer } from './located-buffer.js';

type Options = {
  /** EtherType handed on, others are counted; absent = every one. For the encoder: default IP, by the PDU's version. */
  protocol?: number | undefined;
  /** Label handed on (3 or 6 bytes in hex), besides broadcast; absent = every one. For the encoder: default broadcast. */
  label?: string | undefined;
  /** GSE-HEM of EN 302 307-2: packets are cut across baseband frames. Unproven: no independent decoder was at hand. */
  crossFrames?: boolean | undefined;
  /** For the encoder: bytes of the longest GSE packet; longer PDUs are fragmented. Default 4097. */
  fragment?: number | undefined;
  /** For the encoder: how many fragmented PDUs are sent in turn, each with a Frag ID of its own. Default 1. */
  fragmentIds?: number | undefined;
};

const MAX_PACKET = 4097;
/** So that a first fragment has room for its header and the last one for its CRC-32. */
const MIN_PACKET = 16;
const CRC_BYTES = 4;

const optionsSchema: z.ZodType<Options> = z.strictObject({
  protocol: z.number().int().min(FIRST_ETHERTYPE).max(0xffff).optional(),
  label: z
    .string()
    .regex(/^([0-9a-f]{6}|[0-9a-f]{12})$/i, '3 or 6 bytes in hex')
    .optional(),
  crossFrames: z.boolean().optional(),
  fragment: z.number().int().min(MIN_PACKET).max(MAX_PACKET).optional(),
  fragmentIds: z.number().int().min(1).max(256).optional(),
});

export const gse: LayerDefinition<Options> = {
  name: 'gse',
  source: 'TS 102 606-1, 4.2',
  options: optionsSchema,
  decoder: (options, next) => new GseDecoder(options, next),
  encoder: (options, emit) => new GseEncoder(options, emit),
};

const crc32 = makeCrc(CRC_CATALOGUE['CRC-32/MPEG-2']);

/** A PDU not finished within so many baseband frames is given up (from memory: TS 102 606-1). */
const TIME_OUT_FRAMES = 256;

/** The PDU in progress under one Frag ID. `bytes` = Total Length, what it counts, CRC-32; it is kept for the next PDU. */
type Fragments = {
  bytes: Buffer;
  /** 0 = none in progress. */
  used: number;
  total: number;
  labelBytes: number;
  isWanted: boolean;
  at: number;
  frame: number;
};

/** Holds at most one PDU of 64 KiB for each of the 256 Frag IDs: 16.8 MB. */
class GseDecoder implements Decoder {
  readonly #next: Receiver;
  readonly #protocol: number | undefined;
  readonly #wanted: Buffer | undefined;
  readonly #crossFrames: boolean;
  readonly #buffer = new LocatedBuffer();
  /** The rest of this data field is padding. */
  #isPadding = false;
  #isAligned: boolean;
  /** Whether the label that a packet may re-use is the wanted one; `undefined` = there is none in this data field. */
  #lastIsWanted: boolean | undefined;
  #frame = 0;
  readonly #slots: Fragments[] = [];
  readonly #protocols = new Map<number, number>();
  readonly #unknown = new Map<number, number>();
  readonly #counts = {
    pdus: 0,
    fragments: 0,
    fragmentsWithoutStart: 0,
    replaced: 0,
    timedOut: 0,
    totalLengthWrong: 0,
    crc32Wrong: 0,
    malformed: 0,
    cut: 0,
    otherLabels: 0,
    labelsMissing: 0,
    paddingBytes: 0,
  };

  constructor(options: Options, next: Receiver) {
    this.#next = next;
    this.#protocol = options.protocol;
    this.#wanted = options.label === undefined ? undefined : Buffer.from(options.label, 'hex');
    this.#crossFrames = options.crossFrames === true;
    this.#isAligned = !this.#crossFrames;
  }

  push(buffer: Uint8Array, start: number, end: number, at: number, unitStart: number): void {
    let from = start;
    if (this.#crossFrames && unitStart >= 0) {
      // What was kept must end where the next packet starts; else a frame is missing between.
      if (this.#isAligned && this.#missingBytes(buffer, start) !== unitStart - start) this.#drop();
      if (!this.#isAligned) from = unitStart;
      this.#isAligned = true;
    }
    if (!this.#isAligned) return;
    this.#buffer.take(buffer, from, end, at + from - start);
    this.#process();
  }

  /** Loses the packet in progress alone: Total Length and CRC-32 tell whether a fragmented PDU is whole all the same. */
  gap(): void {
    this.#drop();
    this.#endField();
  }

  unitEnd(): void {
    this.#frame++;
    if (!this.#crossFrames) {
      const { length } = this.#buffer;
      if (length === 1) this.#counts.paddingBytes++;
      else this.#drop();
      this.#buffer.clear();
    }
    this.#endField();
  }

  end(): void {
    this.#drop();
    this.#next.end();
  }

  counts(): LayerCounts {
    const counts: Record<string, number> = { frames: this.#frame, ...this.#counts };
    for (const [type, times] of this.#protocols) counts[`protocol ${typeName(type)}`] = times;
    for (const [type, times] of this.#unknown) counts[`discarded, extension header ${typeName(type)}`] = times;
    return counts;
  }

  #endField(): void {
    this.#isPadding = false;
    this.#lastIsWanted = undefined;
  }

  #drop(): void {
    if (this.#buffer.length > 0) this.#counts.cut++;
    this.#buffer.clear();
    this.#isAligned = !this.#crossFrames;
  }

  /** Bytes that the packet in progress still needs, its Length perhaps standing in `more[at]`. */
  #missingBytes(more: Uint8Array, at: number): number {
    const { bytes, start, length } = this.#buffer;
    if (length === 0) return 0;
    const low = length > 1 ? bytes[start + 1]! : more[at]!;
    return 2 + (((bytes[start]! & 15) << 8) | low) - length;
  }

  #process(): void {
    const buffer = this.#buffer;
    while (!this.#isPadding && buffer.length >= 2) {
      const { bytes, start } = buffer;
      const word = (bytes[start]! << 8) | bytes[start + 1]!;
      if (word >> 12 === 0) {
        this.#isPadding = true;
        break;
      }
      const size = 2 + (word & 0xfff);
      if (buffer.length < size) return;
      this.#packet(word >> 12, start, start + size);
      buffer.start += size;
    }
    if (!this.#isPadding) return;
    this.#counts.paddingBytes += buffer.length;
    buffer.clear();
  }

  /** @param kind the bits S, E and LT */
  #packet(kind: number, start: number, end: number): void {
    const labelType = kind & 3;
    if (kind >> 3 === 0) {
      if (labelType === LABEL_TYPE.reuse && end - start > 3) this.#continue(start, end, (kind & 4) !== 0);
      else this.#counts.malformed++;
      return;
    }
    const isWhole = (kind & 4) !== 0;
    const typeAt = start + (isWhole ? 2 : 5);
    const pdu = typeAt + 2 + LABEL_BYTES[labelType as 0]!;
    if (pdu > end) {
      this.#counts.malformed++;
      return;
    }
    const isWanted = this.#isWanted(labelType, typeAt + 2);
    if (!isWhole) this.#begin(start, end, pdu, isWanted);
    else this.#deliver(this.#buffer.bytes, typeAt, pdu, end, this.#buffer.offsetOf(pdu), isWanted);
  }

  #isWanted(labelType: number, at: number): boolean {
    if (labelType === LABEL_TYPE.reuse) {
      if (this.#lastIsWanted === undefined) this.#counts.labelsMissing++;
      return this.#lastIsWanted ?? this.#wanted === undefined;
    }
    if (labelType === LABEL_TYPE.broadcast) {
      this.#lastIsWanted = undefined;
      return true;
    }
    const wanted = this.#wanted;
    const end = at + LABEL_BYTES[labelType as 0]!;
    this.#lastIsWanted = !wanted || (wanted.length === end - at && wanted.compare(this.#buffer.bytes, at, end) === 0);
    return this.#lastIsWanted;
  }

  #begin(start: number, end: number, pdu: number, isWanted: boolean): void {
    const { bytes } = this.#buffer;
    const total = (bytes[start + 3]! << 8) | bytes[start + 4]!;
    if (end - start - 5 > total) {
      this.#counts.malformed++;
      return;
    }
    const id = bytes[start + 2]!;
    const size = 2 + total + CRC_BYTES;
    let slot = this.#slots[id];
    if (slot && slot.used > 0) this.#counts.replaced++;
    if (!slot || slot.bytes.length < size) {
      slot = { bytes: Buffer.allocUnsafe(size), used: 0, total, labelBytes: 0, isWanted, at: 0, frame: 0 };
      this.#slots[id] = slot;
    }
    this.#counts.fragments++;
    slot.used = bytes.copy(slot.bytes, 0, start + 3, end);
    slot.total = total;
    slot.labelBytes = pdu - start - 7;
    slot.isWanted = isWanted;
    slot.at = this.#buffer.offsetOf(pdu);
    slot.frame = this.#frame;
  }

  #continue(start: number, end: number, isLast: boolean): void {
    const { bytes } = this.#buffer;
    const slot = this.#slots[bytes[start + 2]!];
    this.#counts.fragments++;
    if (!slot || slot.used === 0) {
      this.#counts.fragmentsWithoutStart++;
      return;
    }
    const used = slot.used + end - start - 3;
    const size = 2 + slot.total + CRC_BYTES;
    if (this.#frame - slot.frame > TIME_OUT_FRAMES) {
      this.#counts.timedOut++;
      slot.used = 0;
    } else if (isLast ? used !== size : used > size - CRC_BYTES) {
      this.#counts.totalLengthWrong++;
      slot.used = 0;
    } else {
      bytes.copy(slot.bytes, slot.used, start + 3, end);
      slot.used = isLast ? 0 : used;
      if (isLast) this.#finish(slot, size);
    }
  }

  #finish(slot: Fragments, size: number): void {
    const { bytes, labelBytes, isWanted, at } = slot;
    // Over the bytes and their CRC together this CRC gives 0.
    if (crc32(bytes, 0, size) === 0) this.#deliver(bytes, 2, 4 + labelBytes, size - CRC_BYTES, at, isWanted);
    else this.#counts.crc32Wrong++;
  }

  #deliver(bytes: Uint8Array, typeAt: number, pdu: number, end: number, at: number, isWanted: boolean): void {
    let type = (bytes[typeAt]! << 8) | bytes[typeAt + 1]!;
    let start = pdu;
    if (type < FIRST_ETHERTYPE) {
      const unwrapped = unwrapExtensions(bytes, pdu, end, type);
      if (!unwrapped) {
        this.#unknown.set(type, (this.#unknown.get(type) ?? 0) + 1);
        return;
      }
      ({ type, start } = unwrapped);
    }
    this.#counts.pdus++;
    this.#protocols.set(type, (this.#protocols.get(type) ?? 0) + 1);
    if (!isWanted) this.#counts.otherLabels++;
    if (!isWanted || start === end || (this.#protocol !== undefined && type !== this.#protocol)) return;
    this.#next.push(bytes, start, end, at + start - pdu, start);
    this.#next.unitEnd();
  }
}

/** Makes GSE packets of PDUs; which baseband frame each goes to is the next layer's matter. */
class GseEncoder implements Encoder {
  readonly #emit: Encoder['push'];
  readonly #protocol: number | undefined;
  readonly #label: Uint8Array;
  readonly #labelType: number;
  readonly #size: number;
  readonly #ids: number;
  readonly #isDivisible: boolean;
  #fragId = 0;
  /** Packets of the PDUs whose fragments are sent in turn. */
  #waiting: Uint8Array[][] = [];

  constructor(options: Options, emit: Encoder['push']) {
    this.#emit = emit;
    this.#protocol = options.protocol;
    this.#label = Buffer.from(options.label ?? '', 'hex');
    this.#labelType = LABEL_BYTES.indexOf(this.#label.length as 0);
    this.#size = options.fragment ?? MAX_PACKET;
    this.#ids = options.fragmentIds ?? 1;
    this.#isDivisible = options.crossFrames === true;
  }

  /** @throws UsageError when a PDU is longer than Total Length can say */
  push(unit: Uint8Array): void {
    if (unit.length === 0) return;
    const header = { labelType: this.#labelType, label: this.#label, protocol: this.#protocol ?? etherTypeOf(unit) };
    if (4 + this.#label.length + unit.length <= this.#size) {
      this.#emit(writeGsePacket({ start: 1, end: 1, ...header }, unit), this.#isDivisible);
      return;
    }
    const totalLength = 2 + this.#label.length + unit.length;
    if (totalLength > 0xffff) {
      throw new UsageError(`gse: a PDU of ${unit.length} bytes is longer than ${0xffff - 2 - this.#label.length}`);
    }
    const fragId = this.#fragId;
    this.#fragId = (fragId + 1) & 255;
    const room = this.#size - 7 - this.#label.length;
    const start = writeGsePacket({ start: 1, end: 0, fragId, totalLength, ...header }, unit.subarray(0, room));
    const covered = Buffer.concat([start.subarray(3, 7 + this.#label.length), unit]);
    const rest = Buffer.concat([unit.subarray(room), Buffer.alloc(CRC_BYTES)]);
    rest.writeUInt32BE(crc32(covered, 0, covered.length), rest.length - CRC_BYTES);
    const packets = [start];
    for (let from = 0; from < rest.length; ) {
      const left = rest.length - from;
      // The CRC-32 is not cut in two.
      const size = left <= this.#size - 3 ? left : Math.min(this.#size - 3, left - CRC_BYTES);
      const data = rest.subarray(from, from + size);
      packets.push(writeGsePacket({ start: 0, end: size === left ? 1 : 0, labelType: LABEL_TYPE.reuse, fragId }, data));
      from += size;
    }
    this.#waiting.push(packets);
    if (this.#waiting.length === this.#ids) this.flush();
  }

  flush(): void {
    const longest = Math.max(0, ...this.#waiting.map((packets) => packets.length));
    for (let turn = 0; turn < longest; turn++) {
      for (const packets of this.#waiting) if (packets[turn]) this.#emit(packets[turn]!, this.#isDivisible);
    }
    this.#waiting = [];
  }
}
