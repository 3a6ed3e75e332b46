// Space packets (CCSDS 133.0-B) in a byte stream, across the frames that carry it, or in units: checks that they end where the next
// first header pointer says, counts each APID's losses and hands on the packets' data, units cut into several packets joined again.
import { z } from 'zod';
import { makeCrc } from '../bytes/crc.js';
import { CRC_CATALOGUE } from '../bytes/crc-catalogue.js';
import { RollingBuffer } from '../bytes/rolling-buffer.js';
import { UsageError } from '../errors.js';
import type { Decoder, Encoder, LayerCounts, LayerDefinition, Receiver } from './layer.js';
import {
  apidAt,
  countAt,
  flagsAt,
  HEADER_BYTES,
  hasSecondaryHeaderAt,
  IDLE_APID,
  LONGEST_PACKET,
  PACKET_VERSION,
  packetBytesAt,
  SEQUENCE_FLAGS,
  writePacketHeader,
} from './packets-header.js';
import { SEQUENCE_MODULUS, SegmentJoiner } from './packets-join.js';

type Options = {
  /** Application process identifier; absent = packets of all but idle ones (the encoder writes 0). */
  apid?: number | undefined;
  /** Bytes of the secondary header, passed over where the packet's flag says that it has one; default 0. The encoder writes zeros. */
  secondaryHeader?: number | undefined;
  /** Whether packets end with CRC-16/IBM-3740 over all that comes before (ECSS); default false. */
  crc?: boolean | undefined;
  /** Whether units cut into several packets are joined; default true. */
  join?: boolean | undefined;
  /** Bytes of the longest joined unit kept; default 1 MiB. Memory stays below 32 times as much. */
  longestUnit?: number | undefined;
  /** For the encoder: bytes of the longest packet, header included; default 65542. */
  length?: number | undefined;
};

const optionsSchema: z.ZodType<Options> = z.strictObject({
  apid: z.number().int().min(0).max(2046).optional(),
  secondaryHeader: z.number().int().min(0).max(65536).optional(),
  crc: z.boolean().optional(),
  join: z.boolean().optional(),
  longestUnit: z
    .number()
    .int()
    .min(1)
    .max(2 ** 26)
    .optional(),
  length: z.number().int().min(7).max(LONGEST_PACKET).optional(),
});

export const packets: LayerDefinition<Options> = {
  name: 'packets',
  source: 'CCSDS 133.0-B',
  options: optionsSchema,
  decoder: (options, next) => new PacketDecoder(options, next),
  encoder: (options, emit) => new PacketEncoder(options, emit),
};

const CRC_BYTES = 2;
const crc16 = makeCrc(CRC_CATALOGUE['CRC-16/IBM-3740']);

/**
 * In step (`#inStep`: the next byte goes on with the open packet, or begins one), or waiting for the layer below to say where a
 * packet begins. Packets that lie whole in what is pushed are read there; only one that goes on is copied.
 */
class PacketDecoder implements Decoder {
  readonly #next: Receiver;
  readonly #apid: number | undefined;
  readonly #secondaryHeader: number;
  readonly #crcBytes: number;
  readonly #joiner: SegmentJoiner | undefined;
  readonly #open = new RollingBuffer();
  #openAt = 0;
  #inStep = true;
  /** A unit of the APID handed on is known to be missing since the last one. */
  #lost = false;
  readonly #counts = {
    packets: 0,
    idlePackets: 0,
    encapsulationPackets: 0,
    otherApids: 0,
    cut: 0,
    misfits: 0,
    crcWrong: 0,
    tooShort: 0,
    lost: 0,
    countsBack: 0,
    skippedBytes: 0,
  };
  readonly #perApid = new Uint32Array(IDLE_APID);
  /** The count expected next for each APID; -1 = none yet. */
  readonly #expected = new Int32Array(IDLE_APID).fill(-1);

  constructor(options: Options, next: Receiver) {
    this.#next = next;
    this.#apid = options.apid;
    this.#secondaryHeader = options.secondaryHeader ?? 0;
    this.#crcBytes = options.crc ? CRC_BYTES : 0;
    if (options.join === false) return;
    this.#joiner = new SegmentJoiner(options.longestUnit ?? 2 ** 20, () => {
      this.#lost = true;
    });
  }

  push(buffer: Uint8Array, start: number, end: number, at: number, unitStart: number): void {
    let from = start;
    if (unitStart >= 0) {
      from = unitStart;
      if (this.#open.length === 0) this.#counts.skippedBytes += unitStart - start;
      else if (this.#fill(buffer, start, unitStart) === unitStart) this.#takeOpen();
      else if (this.#inStep) this.#counts.misfits++; // a frame of it is missing, whatever the frame counts say
      this.#open.clear();
      this.#inStep = true;
    } else if (this.#inStep && this.#open.length > 0) {
      from = this.#fill(buffer, start, end);
      if (from < 0) return;
      this.#takeOpen();
    }
    if (this.#inStep) from = this.#takeWhole(buffer, from, end, at - start);
    if (!this.#inStep) {
      this.#counts.skippedBytes += end - from;
    } else if (from < end) {
      this.#openAt = at + from - start;
      this.#open.append(buffer, from, end);
    }
  }

  gap(): void {
    this.#cutOpen();
    this.#inStep = false;
  }

  unitEnd(): void {
    this.#cutOpen();
    this.#inStep = true;
  }

  end(): void {
    this.#cutOpen();
    this.#joiner?.dropAll();
    this.#next.end();
  }

  counts(): LayerCounts {
    const counts: Record<string, number> = { ...this.#counts, ...this.#joiner?.counts };
    for (const [apid, times] of this.#perApid.entries()) if (times > 0) counts[`APID ${apid}`] = times;
    return counts;
  }

  #cutOpen(): void {
    if (this.#open.length > 0) this.#counts.cut++;
    this.#open.clear();
  }

  /**
   * Goes on with the open packet from `buffer[from, to)`.
   *
   * @returns the index where the packet ends, or -1 when it is not whole yet, or can be none: then `#inStep` is false
   */
  #fill(buffer: Uint8Array, from: number, to: number): number {
    const open = this.#open;
    for (let at = from; ; ) {
      const size = packetBytesAt(open.bytes, open.start, open.end);
      if (size < 0) {
        this.#loseStep(open.length);
        this.#counts.skippedBytes += to - at;
        return -1;
      }
      // Its header not being whole, byte by byte.
      const missing = size === 0 ? 1 : size - open.length;
      if (missing === 0) return at;
      const taken = Math.min(missing, to - at);
      if (taken === 0) return -1;
      open.append(buffer, at, at + taken);
      at += taken;
    }
  }

  #takeOpen(): void {
    const { bytes, start, end } = this.#open;
    this.#take(bytes, start, end, this.#openAt);
    this.#open.clear();
  }

  /** Takes the packets that are whole in `buffer[from, end)`; `base` + index = offset in the recording. */
  #takeWhole(buffer: Uint8Array, from: number, end: number, base: number): number {
    let at = from;
    while (at < end) {
      const size = packetBytesAt(buffer, at, end);
      if (size < 0) this.#loseStep(0);
      if (size <= 0 || at + size > end) break;
      this.#take(buffer, at, at + size, base + at);
      at += size;
    }
    return at;
  }

  #loseStep(bytes: number): void {
    this.#counts.misfits++;
    this.#counts.skippedBytes += bytes;
    this.#open.clear();
    this.#inStep = false;
  }

  #take(bytes: Uint8Array, start: number, end: number, at: number): void {
    const counts = this.#counts;
    if (bytes[start]! >> 5 === PACKET_VERSION.encapsulation) {
      counts.encapsulationPackets++;
      return;
    }
    counts.packets++;
    const apid = apidAt(bytes, start);
    if (apid === IDLE_APID) {
      counts.idlePackets++;
      return;
    }
    this.#perApid[apid]!++;
    if (this.#apid !== undefined && apid !== this.#apid) {
      counts.otherApids++;
      return;
    }
    // A packet whose CRC is wrong proves nothing, its count included.
    if (this.#crcBytes > 0 && crc16(bytes, start, end) !== 0) {
      counts.crcWrong++;
      this.#lost = true;
      return;
    }
    this.#compareCount(apid, countAt(bytes, start));
    const secondary = hasSecondaryHeaderAt(bytes, start) ? this.#secondaryHeader : 0;
    const from = start + HEADER_BYTES + secondary;
    const to = end - this.#crcBytes;
    if (from > to) {
      counts.tooShort++;
      this.#lost = true;
      return;
    }
    this.#deliver(apid, bytes, start, from, to, at + from - start);
  }

  #compareCount(apid: number, count: number): void {
    const expected = this.#expected[apid]!;
    this.#expected[apid] = (count + 1) % SEQUENCE_MODULUS;
    if (expected < 0 || count === expected) return;
    this.#lost = true;
    // More than half the way round is rather a step back: recorded twice, or a counter that began again.
    const missing = (count - expected + SEQUENCE_MODULUS) % SEQUENCE_MODULUS;
    if (missing < SEQUENCE_MODULUS / 2) this.#counts.lost += missing;
    else this.#counts.countsBack++;
  }

  #deliver(apid: number, bytes: Uint8Array, start: number, from: number, to: number, at: number): void {
    const flags = flagsAt(bytes, start);
    const count = countAt(bytes, start);
    if (!this.#joiner || flags === SEQUENCE_FLAGS.unsegmented) {
      this.#joiner?.drop(apid);
      this.#handOn(bytes, from, to, at, count, 1);
      return;
    }
    const unit = this.#joiner.take(apid, flags, count, bytes, from, to, at);
    if (!unit) return;
    const parts = (unit.nextCount - unit.count + SEQUENCE_MODULUS) % SEQUENCE_MODULUS;
    this.#handOn(unit.bytes.bytes, unit.bytes.start, unit.bytes.end, unit.at, unit.count, parts);
  }

  #handOn(bytes: Uint8Array, from: number, to: number, at: number, count: number, parts: number): void {
    if (from === to) return;
    if (this.#lost) this.#next.gap();
    this.#lost = false;
    this.#next.sequence?.(count, parts);
    this.#next.push(bytes, from, to, at, from);
    this.#next.unitEnd();
  }
}

/** Makes telemetry packets of one APID; a unit that is too long for one is cut into several by the sequence flags. */
class PacketEncoder implements Encoder {
  readonly #emit: Encoder['push'];
  readonly #apid: number;
  readonly #secondaryHeader: number;
  readonly #crcBytes: number;
  readonly #join: boolean;
  /** Bytes of a unit that one packet carries. */
  readonly #room: number;
  #count = 0;

  /** @throws UsageError when the length leaves no room for data */
  constructor(options: Options, emit: Encoder['push']) {
    this.#emit = emit;
    this.#apid = options.apid ?? 0;
    this.#secondaryHeader = options.secondaryHeader ?? 0;
    this.#crcBytes = options.crc ? CRC_BYTES : 0;
    this.#join = options.join !== false;
    const length = options.length ?? LONGEST_PACKET;
    this.#room = length - HEADER_BYTES - this.#secondaryHeader - this.#crcBytes;
    if (this.#room < 1) throw new UsageError(`packets: packets.length of ${length} bytes leaves no room for data`);
  }

  /** @throws UsageError when the unit is longer than a packet and receivers do not join */
  push(unit: Uint8Array, divisible = false): void {
    if (unit.length === 0) return;
    if (unit.length > this.#room && !this.#join && !divisible) {
      throw new UsageError(`packets: ${unit.length} bytes do not fit a packet with room for ${this.#room}`);
    }
    for (let from = 0; from < unit.length; from += this.#room) {
      const isFirst = from === 0;
      const isLast = from + this.#room >= unit.length;
      const flags = isFirst
        ? isLast
          ? SEQUENCE_FLAGS.unsegmented
          : SEQUENCE_FLAGS.first
        : isLast
          ? SEQUENCE_FLAGS.last
          : SEQUENCE_FLAGS.continuation;
      this.#send(unit.subarray(from, from + this.#room), flags);
    }
  }

  /** Nothing is held back. */
  flush(): void {}

  #send(data: Uint8Array, flags: number): void {
    const length = this.#secondaryHeader + data.length + this.#crcBytes - 1;
    const packet = new Uint8Array(HEADER_BYTES + length + 1);
    const secondaryHeader = this.#secondaryHeader > 0 ? 1 : 0;
    packet.set(
      writePacketHeader({ version: 0, type: 0, secondaryHeader, apid: this.#apid, flags, count: this.#count, length }),
    );
    packet.set(data, HEADER_BYTES + this.#secondaryHeader);
    if (this.#crcBytes > 0) {
      const end = packet.length - CRC_BYTES;
      const value = crc16(packet, 0, end);
      packet[end] = value >> 8;
      packet[end + 1] = value & 0xff;
    }
    this.#emit(packet);
    this.#count = (this.#count + 1) % SEQUENCE_MODULUS;
  }
}
