// Transport stream packets as user packets of baseband frames (EN 302 307-1, 5.1.4 and annex D): the data fields join, the sync
// byte holds the CRC-8 of the packet before, and ISSY (2 or 3 bytes) and DNP (1 byte) may follow the 187 other bytes.
import { makeCrc } from '../bytes/crc.js';
import { CRC_CATALOGUE } from '../bytes/crc-catalogue.js';
import { LocatedBuffer } from './located-buffer.js';
import { NULL_PID, PACKET_BYTES, type PacketSink, pidAt, SYNC_BYTE } from './ts-packet.js';

const crc8 = makeCrc(CRC_CATALOGUE['CRC-8/DVB-S2']);

/** 188, with DNP, with short ISSY, with both or with long ISSY, with long ISSY and DNP. */
const PITCHES = [188, 189, 190, 191, 192] as const;
const LONGEST_PITCH = 192;
/** CRC-8s that must be right for a pitch to be taken: by accident so many are in one of 65,536. */
const NEEDED_CRCS = 2;
/** Packets within which they must be. */
const TRIED_PACKETS = 16;

/** Reads data fields; holds one packet until the CRC-8 that follows it arrives, and at first up to 16. */
export class BasebandTs {
  readonly #sink: PacketSink;
  readonly #buffer = new LocatedBuffer();
  /** Bytes from one user packet to the next; 0 while not known. */
  pitch: number;
  /** The buffer's start is the start of a user packet. */
  #isAligned = false;
  packets = 0;
  /** Packets whose CRC-8 was right. */
  proven = 0;
  crc8Wrong = 0;
  /** Packets whose CRC-8 never came. */
  unchecked = 0;
  /** Packets in progress that were lost with what should have followed. */
  cut = 0;
  skippedBytes = 0;

  constructor(sink: PacketSink, pitch = 0) {
    this.#sink = sink;
    this.pitch = pitch;
  }

  push(buffer: Uint8Array, start: number, end: number, at: number, unitStart: number): void {
    let from = start;
    if (unitStart >= 0) {
      const before = unitStart - start;
      // What was kept and what comes before SYNCD must be whole packets together; else a frame is missing between.
      if (this.#isAligned && this.pitch > 0 && (this.#buffer.length + before) % this.pitch !== 0) this.gap();
      if (this.#isAligned && this.pitch === 0 && !this.#fits(this.#buffer.length + before)) this.gap();
      if (!this.#isAligned) {
        from = unitStart;
        this.skippedBytes += before;
      }
      this.#isAligned = true;
    }
    if (!this.#isAligned) {
      this.skippedBytes += end - start;
      return;
    }
    this.#buffer.take(buffer, from, end, at + from - start);
    this.#process(false);
  }

  /** Reads what is whole; the next packet is where SYNCD says. */
  gap(): void {
    this.#process(true);
    if (this.#buffer.length > 0) this.cut++;
    this.#buffer.clear();
    this.#isAligned = false;
  }

  end(): void {
    this.gap();
  }

  #fits(bytes: number): boolean {
    return PITCHES.some((pitch) => bytes % pitch === 0);
  }

  #process(final: boolean): void {
    const buffer = this.#buffer;
    if (this.pitch === 0) this.#findPitch(final);
    const pitch = this.pitch;
    if (pitch === 0) return;
    while (buffer.length > pitch) {
      const { bytes, start } = buffer;
      const isRight = crc8(bytes, start + 1, start + pitch) === bytes[start + pitch];
      if (isRight) this.proven++;
      else this.crc8Wrong++;
      this.#emit(start, isRight);
    }
    if (!final || buffer.length < pitch) return;
    this.unchecked++;
    this.#emit(buffer.start, true);
  }

  /** The pitch at which the most CRC-8s are right. UPL does not tell: some senders leave ISSY and DNP out of it. */
  #findPitch(final: boolean): void {
    const buffer = this.#buffer;
    if (!final && buffer.length <= (NEEDED_CRCS + 1) * LONGEST_PITCH) return;
    let most = NEEDED_CRCS - 1;
    for (const pitch of PITCHES) {
      const right = this.#rightCrcs(pitch);
      if (right <= most) continue;
      most = right;
      this.pitch = pitch;
    }
    if (this.pitch > 0 || buffer.length <= TRIED_PACKETS * LONGEST_PITCH) return;
    this.skippedBytes += buffer.length;
    buffer.clear();
    this.#isAligned = false;
  }

  #rightCrcs(pitch: number): number {
    const { bytes, start, end } = this.#buffer;
    let right = 0;
    for (let at = start; at + pitch < end; at += pitch) {
      if (crc8(bytes, at + 1, at + pitch) === bytes[at + pitch]) right++;
    }
    return right;
  }

  #emit(start: number, sound: boolean): void {
    this.packets++;
    this.#buffer.bytes[start] = SYNC_BYTE;
    this.#sink.packet(this.#buffer, start, sound);
    this.#buffer.start += this.pitch;
  }
}

export type UserPacketOptions = {
  /** Bytes of the ISSY field; 0 = none. Default 0. */
  issyBytes?: 0 | 2 | 3;
  /** Null-packet deletion: null packets are left out and counted in the next packet's DNP. Default false. */
  nullPacketDeletion?: boolean;
  /** CRC-8 of the packet sent before the first; default 0. */
  crc8?: number;
};

/** Makes user packets of transport stream packets: CRC-8 of the one before, 187 bytes, ISSY, DNP. */
export class UserPacketWriter {
  readonly #issyBytes: number;
  readonly #deletesNull: boolean;
  #crc8: number;
  #deleted = 0;

  constructor({ issyBytes = 0, nullPacketDeletion = false, crc8 = 0 }: UserPacketOptions = {}) {
    this.#issyBytes = issyBytes;
    this.#deletesNull = nullPacketDeletion;
    this.#crc8 = crc8;
  }

  /**
   * @param packet 188 bytes
   * @param issy the value of the ISSY field, as large as it is; default 0
   * @returns `null` for a null packet that is deleted
   */
  write(packet: Uint8Array, issy = 0): Uint8Array | null {
    if (this.#deletesNull && pidAt(packet, 0) === NULL_PID && this.#deleted < 255) {
      this.#deleted++;
      return null;
    }
    const user = Buffer.alloc(PACKET_BYTES + this.#issyBytes + (this.#deletesNull ? 1 : 0));
    user.set(packet);
    user[0] = this.#crc8;
    if (this.#issyBytes > 0) user.writeUIntBE(issy, PACKET_BYTES, this.#issyBytes);
    if (this.#deletesNull) user[user.length - 1] = this.#deleted;
    this.#deleted = 0;
    this.#crc8 = crc8(user, 1, user.length);
    return user;
  }
}
