// Unidirectional lightweight encapsulation (RFC 4326): SNDUs in transport stream packets, found by the payload pointer, joined
// across packets and proven by CRC-32.
import { makeCrc } from '../bytes/crc.js';
import { CRC_CATALOGUE } from '../bytes/crc-catalogue.js';
import { UsageError } from '../errors.js';
import { FIRST_ETHERTYPE, typeName, unwrapExtensions } from './extension-header.js';
import type { LayerCounts } from './layer.js';
import type { LocatedBuffer } from './located-buffer.js';

/** D and Length, Type: what Length does not count. */
const BASE_BYTES = 4;
const ADDRESS_BYTES = 6;
const CRC_BYTES = 4;
const MAX_BYTES = BASE_BYTES + 0x7ffe;
/** D = 1 and all bits of Length: no SNDU follows in this packet. */
const END_INDICATOR = 0xffff;

const crc32 = makeCrc(CRC_CATALOGUE['CRC-32/MPEG-2']);

/** Takes one PDU, `bytes[start, end)`, lent for the call. */
type PduSink = (bytes: Uint8Array, start: number, end: number, at: number) => void;

/** Joins SNDUs; holds one, at most 32 KiB. */
export class UleDecoder {
  readonly #type: number | undefined;
  readonly #address: Uint8Array | undefined;
  readonly #sink: PduSink;
  readonly #bytes = Buffer.alloc(MAX_BYTES);
  #used = 0;
  #size = 0;
  #at = 0;
  readonly #types = new Map<number, number>();
  readonly #unknown = new Map<number, number>();
  readonly #counts = { sndus: 0, crc32Wrong: 0, malformed: 0, cut: 0, pointerWrong: 0, otherAddresses: 0 };

  /**
   * @param type EtherType wanted; absent = every one
   * @param address NPA address wanted, besides SNDUs without one; absent = every one
   */
  constructor(type: number | undefined, address: Uint8Array | undefined, sink: PduSink) {
    this.#type = type;
    this.#address = address;
    this.#sink = sink;
  }

  /** @param starts payload_unit_start_indicator: the first byte points to the first SNDU that starts */
  payload(source: LocatedBuffer, start: number, end: number, starts: boolean): void {
    const { bytes } = source;
    if (!starts) {
      // No SNDU starts here: what follows the open one is padding.
      if (this.#size > 0) this.#continue(bytes, start, end);
      return;
    }
    const pointer = bytes[start]!;
    const first = start + 1 + pointer;
    if (this.#size > 0 && pointer !== this.#size - this.#used) {
      this.#counts.pointerWrong++;
      this.gap();
    }
    if (first > end) {
      this.#counts.malformed++;
      this.gap();
      return;
    }
    if (this.#size > 0) this.#continue(bytes, start + 1, first);
    // One byte left is padding: an SNDU's first two bytes are not cut apart.
    for (let from = first; from + 2 <= end; ) {
      const word = (bytes[from]! << 8) | bytes[from + 1]!;
      if (word === END_INDICATOR) return;
      const size = BASE_BYTES + (word & 0x7fff);
      if (size < BASE_BYTES + CRC_BYTES + (word >> 15 ? 0 : ADDRESS_BYTES) || size > MAX_BYTES) {
        this.#counts.malformed++;
        return;
      }
      this.#size = size;
      this.#at = source.offsetOf(from);
      from = this.#continue(bytes, from, end);
    }
  }

  /** What is half received is lost. */
  gap(): void {
    if (this.#size > 0) this.#counts.cut++;
    this.#size = 0;
    this.#used = 0;
  }

  counts(): LayerCounts {
    const counts: Record<string, number> = { ...this.#counts };
    for (const [type, times] of this.#types) counts[`protocol ${typeName(type)}`] = times;
    for (const [type, times] of this.#unknown) counts[`discarded, extension header ${typeName(type)}`] = times;
    return counts;
  }

  /** Takes what the open SNDU still needs; returns where it went to. */
  #continue(bytes: Buffer, start: number, end: number): number {
    const until = Math.min(end, start + this.#size - this.#used);
    this.#used += bytes.copy(this.#bytes, this.#used, start, until);
    if (this.#used === this.#size) this.#finish();
    return until;
  }

  #finish(): void {
    const size = this.#size;
    this.#size = 0;
    this.#used = 0;
    // Over an SNDU with its CRC-32 this CRC gives 0.
    if (crc32(this.#bytes, 0, size) !== 0) {
      this.#counts.crc32Wrong++;
      return;
    }
    this.#counts.sndus++;
    this.#deliver(size - CRC_BYTES);
  }

  #deliver(end: number): void {
    const bytes = this.#bytes;
    const hasAddress = bytes[0]! >> 7 === 0;
    if (hasAddress && this.#address?.some((byte, i) => byte !== bytes[BASE_BYTES + i])) {
      this.#counts.otherAddresses++;
      return;
    }
    let type = bytes.readUInt16BE(2);
    let start = BASE_BYTES + (hasAddress ? ADDRESS_BYTES : 0);
    if (type < FIRST_ETHERTYPE) {
      const unwrapped = unwrapExtensions(bytes, start, end, type);
      if (!unwrapped) {
        this.#unknown.set(type, (this.#unknown.get(type) ?? 0) + 1);
        return;
      }
      ({ type, start } = unwrapped);
    }
    this.#types.set(type, (this.#types.get(type) ?? 0) + 1);
    if (start === end || (this.#type !== undefined && type !== this.#type)) return;
    this.#sink(bytes, start, end, this.#at + start);
  }
}

/**
 * Writes an SNDU.
 *
 * @param address NPA address, 6 bytes; absent = without one (D = 1)
 * @throws UsageError when the PDU is longer than Length can say
 */
export function writeSndu(type: number, address: Uint8Array | undefined, pdu: Uint8Array): Uint8Array {
  const head = BASE_BYTES + (address ? ADDRESS_BYTES : 0);
  const sndu = Buffer.alloc(head + pdu.length + CRC_BYTES);
  if (sndu.length > MAX_BYTES) {
    throw new UsageError(
      `ts: a PDU of ${pdu.length} bytes does not fit an SNDU, which holds ${MAX_BYTES - head - CRC_BYTES}`,
    );
  }
  sndu.writeUInt16BE((address ? 0 : 0x8000) | (sndu.length - BASE_BYTES), 0);
  sndu.writeUInt16BE(type, 2);
  if (address) sndu.set(address, BASE_BYTES);
  sndu.set(pdu, head);
  sndu.writeUInt32BE(crc32(sndu, 0, sndu.length - CRC_BYTES), sndu.length - CRC_BYTES);
  return sndu;
}
