// Packs units into DVB-S2 baseband frames (EN 302 307-1, 5.1; GSE-HEM: EN 302 307-2): constant coding and modulation, roll-off 0.35,
// no ISSY, no null-packet deletion. User packets get the CRC-8 of the one before in place of their sync byte.
import { makeCrc } from '../bytes/crc.js';
import { CRC_CATALOGUE } from '../bytes/crc-catalogue.js';
import { UsageError } from '../errors.js';
import { CRC32_BYTES } from './baseband-fields.js';
import { HEADER_BYTES, NO_SYNC, STREAM_TYPE, SYNC_CRC32, writeBasebandHeader } from './baseband-header.js';
import { addScrambler } from './baseband-scrambler.js';
import type { Encoder } from './layer.js';
import { type ModeAdaptationType, qpskModcod, writeModeAdaptation } from './mode-adaptation.js';
import { PACKET_BYTES, SYNC_BYTE } from './ts-packet.js';

export type BasebandEncoderOptions = {
  /** Input stream identifier: one of several input streams; absent = a single one. */
  isi?: number | undefined;
  /** Bytes of one baseband frame, Kbch / 8. Default 4026. */
  frame?: number | undefined;
  /** Records padded to `frame` (default), or ending after the data field. */
  record?: 'fixed' | 'variable' | undefined;
  /**
   * What is carried. `continuous` (default): a byte stream, or GSE; `packetised`: packets of one length that begin with one sync byte;
   * `transport`: packets of 188 bytes, plain or with CRC-8s already; `gse-hem`: GSE packets that are cut across frames.
   */
  stream?: 'continuous' | 'packetised' | 'transport' | 'gse-hem' | undefined;
  /** For `continuous`: a CRC-32 ends each data field, SYNC = 1. Default false. */
  crc32?: boolean | undefined;
  /** Mode adaptation header before each frame. Default L.1: none. */
  adaptation?: ModeAdaptationType | undefined;
  /** Frames stay scrambled, as few receivers hand them on. Default false. */
  scrambled?: boolean | undefined;
};

const TYPES = {
  continuous: STREAM_TYPE.continuous,
  packetised: STREAM_TYPE.packetized,
  transport: STREAM_TYPE.transport,
  'gse-hem': STREAM_TYPE.hem,
} as const;

const SINGLE = 1 << 5;
const CCM = 1 << 4;
/** 16 bits of UPL. */
const MAX_PACKET_BYTES = 8191;

const crc8 = makeCrc(CRC_CATALOGUE['CRC-8/DVB-S2']);
const crc32 = makeCrc(CRC_CATALOGUE['CRC-32/MPEG-2']);

/** Units that may not be divided each lie in one data field, which then may end early. */
export class BasebandEncoder implements Encoder {
  readonly #emit: (record: Uint8Array) => void;
  readonly #options: BasebandEncoderOptions;
  readonly #frameBytes: number;
  /** The data field, without a CRC-32. */
  readonly #field: Uint8Array;
  readonly #packets: UserPackets | undefined;
  #used = 0;
  #firstStart = -1;
  #frames = 0;

  constructor(options: BasebandEncoderOptions, emit: (record: Uint8Array) => void) {
    const { frame = 4026, stream = 'continuous', crc32 = false } = options;
    if (crc32 && stream !== 'continuous') {
      throw new UsageError(`dvb-s2: crc32 is for continuous streams; leave it out, or set dvb-s2.stream to continuous`);
    }
    this.#emit = emit;
    this.#options = options;
    this.#frameBytes = frame;
    this.#field = new Uint8Array(Math.max(0, frame - HEADER_BYTES - (crc32 ? CRC32_BYTES : 0)));
    if (this.#field.length === 0)
      throw new UsageError(`dvb-s2: a frame of ${frame} bytes has no room for data and CRC-32`);
    if (stream === 'packetised' || stream === 'transport') this.#packets = new UserPackets(stream === 'transport');
  }

  /** @throws UsageError when a unit that may not be divided is longer than the data field, or not a packet of the stream */
  push(unit: Uint8Array, divisible = false): void {
    const capacity = this.#field.length;
    if (unit.length === 0) return;
    if (!divisible && unit.length > capacity) {
      const advice = 'name the layer stream after it, or choose a larger dvb-s2.frame';
      throw new UsageError(`dvb-s2: ${unit.length} bytes do not fit a data field of ${capacity}; ${advice}`);
    }
    const bytes = this.#packets?.write(unit) ?? unit;
    if (this.#used + (divisible ? 1 : bytes.length) > capacity) this.flush();
    if (this.#firstStart < 0) this.#firstStart = this.#used;
    for (let from = 0; from < bytes.length; ) {
      if (this.#used === capacity) this.flush();
      const size = Math.min(bytes.length - from, capacity - this.#used);
      this.#field.set(bytes.subarray(from, from + size), this.#used);
      this.#used += size;
      from += size;
    }
  }

  flush(): void {
    if (this.#used === 0) return;
    const { isi, record, stream = 'continuous', crc32: hasCrc32, adaptation = 'L.1', scrambled } = this.#options;
    const dataBytes = this.#used + (hasCrc32 ? CRC32_BYTES : 0);
    const header = writeBasebandHeader({
      matype1: (TYPES[stream] << 6) | (isi === undefined ? SINGLE : 0) | CCM,
      matype2: isi ?? 0,
      upl: (this.#packets?.packetBytes ?? 0) * 8,
      dfl: dataBytes * 8,
      sync: this.#packets?.sync ?? (hasCrc32 ? SYNC_CRC32 : 0),
      syncd: this.#firstStart < 0 ? NO_SYNC : this.#firstStart * 8,
    });
    const ahead = writeModeAdaptation({
      type: adaptation,
      ...qpskModcod(this.#frameBytes),
      frameNumber: this.#frames++ & 255,
    });
    const size = record === 'variable' ? HEADER_BYTES + dataBytes : this.#frameBytes;
    // No Buffer: its slice() would not copy.
    const bytes = new Uint8Array(ahead.length + size);
    bytes.set(ahead);
    bytes.set(header, ahead.length);
    bytes.set(this.#field.subarray(0, this.#used), ahead.length + HEADER_BYTES);
    if (hasCrc32) {
      const at = ahead.length + HEADER_BYTES + this.#used;
      new DataView(bytes.buffer).setUint32(at, crc32(this.#field, 0, this.#used));
    }
    if (scrambled) addScrambler(bytes, ahead.length, bytes.length);
    this.#emit(bytes);
    this.#used = 0;
    this.#firstStart = -1;
  }
}

/** Puts the CRC-8 of the packet before in place of each sync byte; the first of all gets 0. */
class UserPackets {
  readonly #isTransport: boolean;
  #hasSyncBytes = true;
  #crc8 = 0;
  packetBytes = 0;
  sync = 0;

  constructor(isTransport: boolean) {
    this.#isTransport = isTransport;
  }

  /** @returns the unit itself where it comes with its CRC-8 */
  write(unit: Uint8Array): Uint8Array {
    if (this.packetBytes === 0) this.#begin(unit);
    if (unit.length !== this.packetBytes) {
      throw new UsageError(`dvb-s2: user packets have ${this.packetBytes} bytes, got ${unit.length}; ${ADVICE}`);
    }
    if (!this.#hasSyncBytes) return unit;
    if (unit[0] !== this.sync) {
      throw new UsageError(`dvb-s2: user packets begin with byte ${this.sync}, got ${unit[0]}; ${ADVICE}`);
    }
    const packet = Uint8Array.from(unit);
    packet[0] = this.#crc8;
    this.#crc8 = crc8(packet, 1, packet.length);
    return packet;
  }

  #begin(unit: Uint8Array): void {
    this.packetBytes = this.#isTransport ? PACKET_BYTES : Math.min(unit.length, MAX_PACKET_BYTES);
    this.sync = this.#isTransport ? SYNC_BYTE : unit[0]!;
    // The writer of user packets begins with a CRC-8 of 0.
    this.#hasSyncBytes = !this.#isTransport || unit[0] === SYNC_BYTE;
  }
}

const ADVICE = 'choose another dvb-s2.stream';
