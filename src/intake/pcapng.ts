// The block-structured capture format, pcapng, read and written: several sections, interfaces and byte orders in one file. Standard:
// draft-ietf-opsawg-pcapng (and its predecessors for the obsolete packet block). A block states its length at both ends: that
// proves it, and finds the next one behind damage.
import { Parser } from 'binary-parser';
import { RollingBuffer } from '../bytes/rolling-buffer.js';
import { type CaptureParser, MAX_PACKET_BYTES, type PacketSink } from './capture-parser.js';

const SECTION = 0x0a0d0d0a;
const INTERFACE = 1;
const OBSOLETE_PACKET = 2;
const SIMPLE_PACKET = 3;
const ENHANCED_PACKET = 6;
/** Also name resolution, statistics and custom blocks: what may follow damage; between good blocks any type may stand. */
const KNOWN_BLOCKS: readonly number[] = [
  SECTION,
  INTERFACE,
  OBSOLETE_PACKET,
  SIMPLE_PACKET,
  4,
  5,
  ENHANCED_PACKET,
  0xbad,
  0x40000bad,
];

const BYTE_ORDER_MAGIC = 0x1a2b3c4d;
const BLOCK_OVERHEAD = 12;
const MAX_BLOCK_BYTES = 4 * MAX_PACKET_BYTES;
const MAX_INTERFACES = 65_536;

const OPTION_TIME_RESOLUTION = 9;
const OPTION_TIME_OFFSET = 14;

export type EnhancedPacketHeader = {
  type: number;
  length: number;
  interface: number;
  timeHigh: number;
  timeLow: number;
  captured: number;
  original: number;
};

const enhancedPacketLayout = (order: 'big' | 'little'): Parser =>
  new Parser()
    .endianess(order)
    .uint32('type') // 0 6; the section header's reads the same in both orders
    .uint32('length') // 4 bytes of the whole block; stands once more at its end
    .uint32('interface') // 8 in the order of the interface blocks of the section
    .uint32('timeHigh') // 12 upper half of the count of time units since 1970 UTC
    .uint32('timeLow') // 16
    .uint32('captured') // 20 bytes that follow, then padding to a multiple of 4, then options
    .uint32('original'); // 24 bytes of the packet on the link

/** Reads an enhanced packet block's header at the start of `bytes`, at least 28. */
export const readEnhancedPacketHeader = (bytes: Uint8Array, order: 'big' | 'little'): EnhancedPacketHeader =>
  enhancedPacketLayout(order).parse(bytes) as EnhancedPacketHeader;

type Interface = {
  readonly linkType: number;
  /** 0 = no limit. */
  readonly snapLength: number;
  readonly msPerUnit: number;
  readonly offsetMs: number;
};

export class PcapngParser implements CaptureParser {
  readonly #sink: PacketSink;
  readonly #buffer = new RollingBuffer();
  #isLittle = true;
  /** In a damaged stretch, which is told once. */
  #isDamaged = false;
  #interfaces: Interface[] = [];

  constructor(sink: PacketSink) {
    this.#sink = sink;
  }

  push(bytes: Uint8Array): void {
    this.#buffer.append(bytes, 0, bytes.length);
    this.#process(false);
  }

  end(): void {
    this.#process(true);
    this.#buffer.clear();
  }

  #process(final: boolean): void {
    const buffer = this.#buffer;
    while (buffer.length >= BLOCK_OVERHEAD) {
      const { bytes, start, end } = buffer;
      const size = this.#sizeAt(bytes, start);
      if (size > 0 && start + size > end && !final) return;
      if (
        size > 0 &&
        start + size <= end &&
        this.#read(bytes, start + size - 4, this.#isLittleAt(bytes, start)) === size
      ) {
        this.#block(bytes, start, start + size);
        this.#isDamaged = false;
        buffer.start += size;
      } else {
        if (!this.#isDamaged) this.#sink.lost();
        this.#isDamaged = true;
        buffer.start = this.#findBlock(bytes, start + 1, end, final);
      }
    }
  }

  /** The first place from `from` on where a block of a known type may stand. */
  #findBlock(bytes: Uint8Array, from: number, end: number, final: boolean): number {
    let at = from;
    for (; at + BLOCK_OVERHEAD <= end; at++) {
      const isLittle = this.#isLittleAt(bytes, at);
      if (!KNOWN_BLOCKS.includes(this.#read(bytes, at, isLittle))) continue;
      const size = this.#sizeAt(bytes, at);
      if (size > 0 && (at + size > end ? !final : this.#read(bytes, at + size - 4, isLittle) === size)) return at;
    }
    return final ? end : at;
  }

  /** Bytes of the block at `at` by its own word, or -1 where that cannot be. */
  #sizeAt(bytes: Uint8Array, at: number): number {
    const isLittle = this.#isLittleAt(bytes, at);
    const size = this.#read(bytes, at + 4, isLittle);
    if (size < BLOCK_OVERHEAD || size > MAX_BLOCK_BYTES || size % 4 !== 0) return -1;
    const isSection = this.#read(bytes, at, isLittle) === SECTION;
    return isSection && this.#read(bytes, at + 8, isLittle) !== BYTE_ORDER_MAGIC ? -1 : size;
  }

  /** The byte order of the block at `at`: a section header's is its own, by its magic number. */
  #isLittleAt(bytes: Uint8Array, at: number): boolean {
    if (this.#read(bytes, at, true) !== SECTION) return this.#isLittle;
    return this.#read(bytes, at + 8, true) === BYTE_ORDER_MAGIC;
  }

  #block(bytes: Uint8Array, start: number, end: number): void {
    const isLittle = this.#isLittleAt(bytes, start);
    const read = (at: number): number => this.#read(bytes, start + at, isLittle);
    const size = end - start;
    switch (read(0)) {
      case SECTION:
        this.#isLittle = isLittle;
        this.#interfaces = [];
        break;
      case INTERFACE:
        if (size >= 20 && this.#interfaces.length < MAX_INTERFACES)
          this.#interfaces.push(this.#readInterface(bytes, start, end));
        break;
      case ENHANCED_PACKET:
        if (size >= 32) this.#packet(bytes, start, end, read(8));
        break;
      case OBSOLETE_PACKET: {
        if (size < 32) break;
        // Interface and packets dropped before this one, 16 bits each.
        const [first, second] = [read(8) & 0xffff, read(8) >>> 16];
        const drops = isLittle ? second : first;
        if (drops !== 0 && drops !== 0xffff) this.#sink.lost();
        this.#packet(bytes, start, end, isLittle ? first : second);
        break;
      }
      case SIMPLE_PACKET: {
        const source = this.#interfaces[0];
        if (size < 16 || !source) break;
        const original = read(8);
        const captured = Math.min(original, source.snapLength || original, size - 16);
        this.#sink.packet(source.linkType, bytes, start + 12, start + 12 + captured, captured === original, Number.NaN);
        break;
      }
    }
  }

  /** An enhanced or obsolete packet block: they differ only in how they name the interface. */
  #packet(bytes: Uint8Array, start: number, end: number, index: number): void {
    const source = this.#interfaces[index];
    const captured = this.#read(bytes, start + 20, this.#isLittle);
    if (!source || captured > end - start - 32) {
      this.#sink.lost();
      return;
    }
    const high = this.#read(bytes, start + 12, this.#isLittle);
    const low = this.#read(bytes, start + 16, this.#isLittle);
    const time = high * (2 ** 32 * source.msPerUnit) + low * source.msPerUnit + source.offsetMs;
    const isWhole = captured >= this.#read(bytes, start + 24, this.#isLittle);
    this.#sink.packet(source.linkType, bytes, start + 28, start + 28 + captured, isWhole, time);
  }

  #readInterface(bytes: Uint8Array, start: number, end: number): Interface {
    const read16 = (at: number): number => {
      const [first, second] = [bytes[at]!, bytes[at + 1]!];
      return this.#isLittle ? first | (second << 8) : (first << 8) | second;
    };
    let msPerUnit = 0.001;
    let offsetMs = 0;
    for (let at = start + 16; at + 4 <= end - 4; ) {
      const code = read16(at);
      const length = read16(at + 2);
      const value = at + 4;
      if (code === 0 || value + length > end - 4) break;
      if (code === OPTION_TIME_RESOLUTION && length === 1) {
        const exponent = bytes[value]! & 0x7f;
        msPerUnit = 1000 / ((bytes[value]! & 0x80) !== 0 ? 2 ** exponent : 10 ** exponent);
      }
      if (code === OPTION_TIME_OFFSET && length === 8) {
        // A signed number of seconds: what its upper half adds to a double is enough.
        const [first, second] = [
          this.#read(bytes, value, this.#isLittle),
          this.#read(bytes, value + 4, this.#isLittle),
        ];
        const [high, low] = this.#isLittle ? [second, first] : [first, second];
        offsetMs = ((high | 0) * 2 ** 32 + low) * 1000;
      }
      at = value + length + (-length & 3);
    }
    return {
      linkType: read16(start + 8),
      snapLength: this.#read(bytes, start + 12, this.#isLittle),
      msPerUnit,
      offsetMs,
    };
  }

  #read(bytes: Uint8Array, at: number, isLittle: boolean): number {
    const value = isLittle
      ? bytes[at]! | (bytes[at + 1]! << 8) | (bytes[at + 2]! << 16) | (bytes[at + 3]! << 24)
      : (bytes[at]! << 24) | (bytes[at + 1]! << 16) | (bytes[at + 2]! << 8) | bytes[at + 3]!;
    return value >>> 0;
  }
}

/** Writes the blocks of one section. Times are in nanoseconds. */
export class PcapngWriter {
  readonly #little: boolean;

  constructor(order: 'big' | 'little' = 'little') {
    this.#little = order === 'little';
  }

  section(): Uint8Array {
    return this.block(SECTION, 16, (body) => {
      body.setUint32(0, BYTE_ORDER_MAGIC, this.#little);
      body.setUint16(4, 1, this.#little);
      body.setBigInt64(8, -1n, this.#little); // length of the section: not known
    });
  }

  /** @param snapLength 0 = no limit */
  interface(linkType: number, snapLength = 0): Uint8Array {
    return this.block(INTERFACE, 20, (body) => {
      body.setUint16(0, linkType, this.#little);
      body.setUint32(4, snapLength, this.#little);
      body.setUint16(8, OPTION_TIME_RESOLUTION, this.#little);
      body.setUint16(10, 1, this.#little);
      body.setUint8(12, 9);
    });
  }

  /** @param time ms since 1970 UTC */
  packet(index: number, packet: Uint8Array, time: number): Uint8Array {
    return this.block(ENHANCED_PACKET, 20 + packet.length, (body, bytes) => {
      body.setUint32(0, index, this.#little);
      const units = BigInt(Math.round(time * 1000)) * 1000n;
      body.setUint32(4, Number(units >> 32n), this.#little);
      body.setUint32(8, Number(units & 0xffffffffn), this.#little);
      body.setUint32(12, packet.length, this.#little);
      body.setUint32(16, packet.length, this.#little);
      bytes.set(packet, 20);
    });
  }

  /** A block of any type; `fill` writes its body, whose padding is added. */
  block(type: number, bodyBytes: number, fill: (body: DataView, bytes: Uint8Array) => void): Uint8Array {
    const padded = (bodyBytes + 3) & ~3;
    const block = new Uint8Array(BLOCK_OVERHEAD + padded);
    const view = new DataView(block.buffer);
    view.setUint32(0, type, this.#little);
    view.setUint32(4, block.length, this.#little);
    view.setUint32(8 + padded, block.length, this.#little);
    fill(new DataView(block.buffer, 8, padded), block.subarray(8, 8 + padded));
    return block;
  }
}
