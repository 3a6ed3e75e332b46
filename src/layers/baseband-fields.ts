// What is done with a baseband frame once it is found (EN 302 307-1, 5.1): counted by stream and size, and its data field handed on
// if it is of the stream chosen. A CRC-32 at its end is checked and cut off; replaced sync bytes of user packets are written back.
import { makeCrc } from '../bytes/crc.js';
import { CRC_CATALOGUE } from '../bytes/crc-catalogue.js';
import {
  dataEndAt,
  firstUnitAt,
  HEADER_BYTES,
  hasCrc32At,
  STREAM_TYPE,
  streamAt,
  streamName,
  userPacketAt,
} from './baseband-header.js';
import type { LayerCounts, Receiver } from './layer.js';

const crc32 = makeCrc(CRC_CATALOGUE['CRC-32/MPEG-2']);
export const CRC32_BYTES = 4;

export class DataFields {
  readonly #next: Receiver;
  readonly #isi: number | undefined;
  /** The stream handed on; -1 until it is met. */
  #stream = -1;
  /** Of the stream handed on; without a CRC-32 at the end. */
  #lastDataBytes = 0;
  #lost = false;
  readonly #counts = { frames: 0, headersDamaged: 0, cut: 0, otherStreams: 0, garbageBytes: 0 };
  readonly #crc32 = { crc32Right: 0, crc32Wrong: 0 };
  readonly #sizes = new Map<number, number>();
  readonly #streams = new Map<number, number>();

  /** @param isi input stream identifier of the stream handed on; absent = the first one met */
  constructor(next: Receiver, isi?: number) {
    this.#next = next;
    this.#isi = isi;
  }

  get frames(): number {
    return this.#counts.frames;
  }

  counts(): LayerCounts {
    const { crc32Right, crc32Wrong } = this.#crc32;
    const counts: Record<string, number> = { ...this.#counts, ...(crc32Right + crc32Wrong > 0 && this.#crc32) };
    for (const [bytes, times] of this.#sizes) counts[`record of ${bytes} bytes`] = times;
    for (const [stream, times] of this.#streams) counts[streamName(stream)] = times;
    return counts;
  }

  /** Bytes are missing, or `garbageBytes` were passed over: a gap comes before the next data field. */
  lose(garbageBytes = 0): void {
    this.#counts.garbageBytes += garbageBytes;
    this.#lost = true;
  }

  /**
   * Takes the frame whose header stands at `bytes[start]`.
   *
   * @param end where its data field ends, or is cut off
   * @param frameBytes of the frame with its padding
   * @param at offset in the recording of the byte at `start`
   */
  take(bytes: Uint8Array, start: number, end: number, frameBytes: number, at: number): void {
    const dataEnd = dataEndAt(bytes, start);
    const stream = streamAt(bytes, start);
    this.#counts.frames++;
    if (end < dataEnd) this.#counts.cut++;
    countUp(this.#streams, stream, 1);
    countUp(this.#sizes, frameBytes, 1);
    const single = (stream & 256) !== 0;
    if (this.#stream < 0 && (this.#isi === undefined || single || this.#isi === (stream & 255))) this.#stream = stream;
    if (stream !== this.#stream) {
      this.#counts.otherStreams++;
      return;
    }
    const from = start + HEADER_BYTES;
    let until = end;
    let bytesMeant = dataEnd - from;
    if (bytesMeant > 0 && hasCrc32At(bytes, start)) {
      if (end === dataEnd) this.#checkCrc32(bytes, from, end);
      bytesMeant = Math.max(0, bytesMeant - CRC32_BYTES);
      until = Math.min(end, from + bytesMeant);
    }
    this.#lastDataBytes = bytesMeant || this.#lastDataBytes;
    const firstUnit = firstUnitAt(bytes, start);
    if (stream >> 9 === STREAM_TYPE.packetized && firstUnit >= 0) {
      const { packetBytes, sync } = userPacketAt(bytes, start);
      // SYNC 0 = no sync byte. Those of transport streams stay: their CRC-8s are proof for the next layer.
      if (sync !== 0) {
        const field = Buffer.from(bytes.subarray(from, until));
        for (let unit = firstUnit - from; unit < field.length; unit += packetBytes) field[unit] = sync;
        this.#handOn(field, 0, field.length, at + HEADER_BYTES, firstUnit - from);
        return;
      }
    }
    this.#handOn(bytes, from, until, at + HEADER_BYTES, firstUnit);
  }

  /**
   * Takes the first of `count` whole frames at once, `pitch` bytes from one to the next: those with the header that stands at
   * `bytes[start]` and are followed by it; see `take`.
   *
   * @returns how many it took, 0 where each is to be taken by itself
   */
  takeTrain(bytes: Uint8Array, start: number, pitch: number, count: number, frameBytes: number, at: number): number {
    const stream = streamAt(bytes, start);
    const unit = start + HEADER_BYTES;
    const size = dataEndAt(bytes, start) - unit;
    const isPlain = stream >> 9 === STREAM_TYPE.continuous && !hasCrc32At(bytes, start);
    if (stream !== this.#stream || this.#lost || size === 0 || !isPlain) return 0;
    const train = { buffer: bytes, start: unit, size, pitch, lead: HEADER_BYTES, count, at: at + HEADER_BYTES };
    const taken = this.#next.pushTrain?.(train) ?? 0;
    this.#counts.frames += taken;
    countUp(this.#streams, stream, taken);
    countUp(this.#sizes, frameBytes, taken);
    this.#lastDataBytes = size;
    return taken;
  }

  /** Only the header is damaged: hands on what the frame carries, which proves itself, unless it may be of another stream. */
  takeDamaged(bytes: Uint8Array, start: number, frameBytes: number, at: number): void {
    this.#counts.headersDamaged++;
    const isOwn = this.#streams.size === 1 || streamAt(bytes, start) === this.#stream;
    if (this.#stream < 0 || !isOwn) return;
    const end = start + Math.min(frameBytes, HEADER_BYTES + this.#lastDataBytes);
    this.#handOn(bytes, start + HEADER_BYTES, end, at + HEADER_BYTES, -1);
  }

  /** A wrong one condemns nothing: what is in the data field proves itself. */
  #checkCrc32(bytes: Uint8Array, start: number, end: number): void {
    // Over the bytes and their CRC together this CRC gives 0.
    if (end - start >= CRC32_BYTES && crc32(bytes, start, end) === 0) this.#crc32.crc32Right++;
    else this.#crc32.crc32Wrong++;
  }

  #handOn(bytes: Uint8Array, start: number, end: number, at: number, unitStart: number): void {
    if (end <= start) return;
    if (this.#lost) this.#next.gap();
    this.#lost = false;
    this.#next.push(bytes, start, end, at, unitStart < end ? unitStart : -1);
    this.#next.unitEnd();
  }
}

function countUp(counts: Map<number, number>, of: number, by: number): void {
  if (by > 0) counts.set(of, (counts.get(of) ?? 0) + by);
}
